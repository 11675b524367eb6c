"""What the rows say of the work that should go on by itself: the sweep, reminders, long work."""

import datetime as dt

from accounts.models import Job
from accounts.models.job import OPEN_STATES
from scheduling.models import Delivery, DeliveryState
from scheduling.queries.health import heartbeat_problems, oldest_overdue_seconds, reminder_problems, sweep_age_seconds
from scheduling.services.checkup.finding import Finding, look_at, well, wrong

JOB_WAITS = dt.timedelta(minutes=15)
LOOKED_BACK = dt.timedelta(hours=24)


def look_at_sweep(now: dt.datetime) -> Finding:
    problems = heartbeat_problems(now=now)
    if problems:
        return wrong("sweep", problems[0], "See docs/operations.md, Is it well?")
    return well("sweep", f"ran {max(0.0, sweep_age_seconds(now=now) or 0.0):.0f} s ago")


def look_at_reminders(now: dt.datetime) -> Finding:
    problems = reminder_problems(now=now)
    if problems:
        return wrong("reminders", problems[0], "Ring those concerned until it is mended.")
    given_up = Delivery.objects.filter(state=DeliveryState.DEAD, due_at__gte=now - LOOKED_BACK).count()
    if given_up:
        text = f"{given_up} could not be sent in 24 hours"
        return look_at("reminders", text, "The coordinator's page of reminders says whose and why.")
    return well("reminders", f"the oldest that waits is {oldest_overdue_seconds(now=now):.0f} s late")


def look_at_long_work(now: dt.datetime) -> Finding:
    waiting = Job.objects.filter(state__in=OPEN_STATES, requested_at__lt=now - JOB_WAITS, lease_until__isnull=True)
    stuck = Job.objects.filter(state__in=OPEN_STATES, lease_until__lt=now - JOB_WAITS)
    if waiting.exists() or stuck.exists():
        text = f"{waiting.count()} wait and {stuck.count()} stand still for more than 15 minutes"
        return look_at("long work", text, "Look at the workers of planning and evaluation.")
    return well("long work", f"{Job.objects.filter(state__in=OPEN_STATES).count()} in hand")


ROWS = (look_at_sweep, look_at_reminders, look_at_long_work)
