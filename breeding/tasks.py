"""Celery tasks of the stock."""

from celery import shared_task
from django.utils import timezone

from breeding.services.evaluation.nightly import nightly_ask


@shared_task(name="breeding.nightly_ask")
def nightly_ask_task() -> None:
    nightly_ask(now=timezone.now())
