"""Celery tasks of the season: they ring the bell, the rows are the truth."""

from celery import shared_task
from django.utils import timezone

from accounts.services.api_answers import answers_forget
from scheduling.services.delivery import deliver_all_due
from scheduling.services.summary import summaries_write
from scheduling.services.zone_data import reminders_rederive


@shared_task(name="scheduling.deliver_due")
def deliver_due_task() -> None:
    """One tick; once more at once while a batch came back full."""
    deliver_all_due()


@shared_task(name="scheduling.rederive")
def rederive_task() -> None:
    """Wall-clock moments follow a newer zone database; the coming summaries of the morning are put in line; answers
    kept for repeats are forgotten in the end."""
    reminders_rederive(now=timezone.now())
    summaries_write(now=timezone.now())
    answers_forget(now=timezone.now())
