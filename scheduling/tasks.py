"""Celery tasks of the season: they ring the bell, the rows are the truth."""

from celery import shared_task

from scheduling.services.delivery import database_now, deliver_due

BATCH = 200


@shared_task(name="scheduling.deliver_due")
def deliver_due_task() -> None:
    """One tick; once more at once while a batch came back full."""
    while deliver_due(now=database_now(), limit=BATCH) >= BATCH:
        continue
