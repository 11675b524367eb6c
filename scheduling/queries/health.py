"""Is everything there that work needs? Each answer is a sentence for whoever looks after the machine."""

import datetime as dt
import logging

from django.db import DatabaseError, connection
from django.db.migrations.executor import MigrationExecutor
from django.db.models import Max, Min

from scheduling.models import Delivery, DeliveryState, Heartbeat, Reminder, ReminderState

log = logging.getLogger(__name__)

HEARTBEAT = "reminders"
HELP_BEAT = "web"  # ticks that web processes help out with: no sign that the sweep itself runs
HEARTBEAT_MAX_AGE = dt.timedelta(seconds=60)
CRITICAL_OVERDUE_SECONDS = 120
ON_THE_WAY = [DeliveryState.PENDING, DeliveryState.RETRY, DeliveryState.CLAIMED, DeliveryState.SENDING]


def health_problems(*, now: dt.datetime) -> list[str]:
    """What is wrong, worst first; empty when all is well."""
    try:
        executor = MigrationExecutor(connection)
        missing = executor.migration_plan(executor.loader.graph.leaf_nodes())
        if missing:
            return [f"The database lacks {len(missing)} migrations. Run manage.py migrate."]
        return heartbeat_problems(now=now) + reminder_problems(now=now)
    except DatabaseError:
        log.exception("the database does not answer")
        return ["The database does not answer. The log says why."]


def oldest_overdue_seconds(*, now: dt.datetime, critical_only: bool = False) -> float:
    """Return for how long the oldest thing that should have been told was not. [s]

    A critical one that was tried and refused counts from its first moment, not from the next try.
    """
    untold = Reminder.objects.filter(state=ReminderState.WANTED, held_at__isnull=True, tell_at__lte=now)
    on_the_way = Delivery.objects.filter(state__in=ON_THE_WAY)
    if critical_only:
        untold = untold.filter(critical=True, useful_until__gte=now)
        on_the_way = on_the_way.filter(reminder__critical=True, due_at__lte=now)
        waiting_since = on_the_way.aggregate(oldest=Min("due_at"))["oldest"]
    else:
        waiting_since = on_the_way.filter(next_try_at__lte=now).aggregate(oldest=Min("next_try_at"))["oldest"]
    moments = [untold.aggregate(oldest=Min("tell_at"))["oldest"], waiting_since]
    return max(((now - moment).total_seconds() for moment in moments if moment is not None), default=0.0)


def reminder_problems(*, now: dt.datetime) -> list[str]:
    """What keeps reminders from going out, if anything does."""
    overdue = oldest_overdue_seconds(now=now, critical_only=True)
    if overdue > CRITICAL_OVERDUE_SECONDS:
        return [
            f"A critical reminder has waited for {overdue:.0f} seconds. Look at the mail server and the coordinator's "
            "page of reminders."
        ]
    return []


def sweep_age_seconds(*, now: dt.datetime) -> float | None:
    """Return how long ago the minute sweep last ran; None: never. [s]"""
    last = Heartbeat.objects.exclude(name=HELP_BEAT).aggregate(last=Max("at"))["last"]
    return None if last is None else (now - last).total_seconds()


def has_helped_since(moment: dt.datetime) -> bool:
    """Whether a web process found the sweep silent since then, and helped out."""
    return Heartbeat.objects.filter(name=HELP_BEAT, at__gte=moment).exists()


def heartbeat_problems(*, now: dt.datetime) -> list[str]:
    age = sweep_age_seconds(now=now)
    if age is None:
        return ["The minute sweep has never run, so no reminder goes out. Start the beat and a worker."]
    if age > HEARTBEAT_MAX_AGE.total_seconds():
        return [
            f"The minute sweep last ran {age:.0f} seconds ago, so reminders are late. "
            "Look at the beat and the mail worker."
        ]
    return []
