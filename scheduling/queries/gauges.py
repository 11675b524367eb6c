"""What the rows say of the work that goes on by itself, as plain figures."""

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass

from django.db.models import Avg, Count, F, Max, Min

from accounts.models import Job
from accounts.models.job import OPEN_STATES
from scheduling.models import Delivery, DeliveryState
from scheduling.queries.health import oldest_overdue_seconds, sweep_age_seconds

LOOKED_BACK = dt.timedelta(hours=1)
JOBS_LOOKED_BACK = dt.timedelta(hours=24)
SHARES = {"0.5": 0.5, "0.99": 0.99}
NEWEST = 20_000  # of an hour's deliveries, so that a flood does not make the question slow


@dataclass(frozen=True)
class Gauge:
    """`values` : for each set of labels one figure."""

    name: str
    help: str
    labels: tuple[str, ...]
    values: Sequence[tuple[tuple[str, ...], float]]


def gauges(*, now: dt.datetime) -> list[Gauge]:
    """All of them; a handful of queries whatever the number of rows."""
    return [_sweep(now), _overdue(now), _deliveries(now), _lateness(now), *_jobs(now)]


def _sweep(now: dt.datetime) -> Gauge:
    age = sweep_age_seconds(now=now)
    values = [] if age is None else [((), max(0.0, age))]
    return Gauge("broodtide_sweep_age_seconds", "Since the minute sweep last ran.", (), values)


def _overdue(now: dt.datetime) -> Gauge:
    values = [
        (("all",), oldest_overdue_seconds(now=now)),
        (("critical",), oldest_overdue_seconds(now=now, critical_only=True)),
    ]
    return Gauge("broodtide_reminder_overdue_seconds", "Lateness of the oldest untold reminder.", ("of",), values)


def _deliveries(now: dt.datetime) -> Gauge:
    rows = Delivery.objects.filter(due_at__gte=now - LOOKED_BACK, due_at__lte=now)
    counted = rows.values_list("channel", "state").annotate(n=Count("pk")).order_by("channel", "state")
    values = [((str(channel), str(state)), float(n)) for channel, state, n in counted]
    return Gauge("broodtide_deliveries", "Deliveries due within the last hour.", ("channel", "state"), values)


def _lateness(now: dt.datetime) -> Gauge:
    rows = (
        Delivery.objects.filter(state=DeliveryState.SENT, sent_at__gte=now - LOOKED_BACK, sent_at__lte=now)
        .exclude(channel="inbox")
        .annotate(late=F("sent_at") - F("due_at"))
        .order_by("-sent_at")
        .values_list("channel", "late")[:NEWEST]
    )
    by_channel: dict[str, list[float]] = {}
    for channel, late in rows:
        by_channel.setdefault(channel, []).append(max(0.0, late.total_seconds()))
    values = [
        ((channel, name), sorted(found)[min(len(found) - 1, int(share * len(found)))])
        for channel, found in sorted(by_channel.items())
        for name, share in SHARES.items()
    ]
    text = "How late what was sent within the last hour went out."
    return Gauge("broodtide_delivery_late_seconds", text, ("channel", "quantile"), values)


def _jobs(now: dt.datetime) -> list[Gauge]:
    waiting = Job.objects.filter(state__in=OPEN_STATES).values_list("kind").order_by("kind")
    opened = list(waiting.annotate(n=Count("pk"), oldest=Min("requested_at")))
    took = F("finished_at") - F("started_at")
    done = (
        Job.objects.filter(finished_at__gte=now - JOBS_LOOKED_BACK, started_at__isnull=False)
        .values_list("kind", "state")
        .order_by("kind", "state")
    )
    ended = list(done.annotate(n=Count("pk"), mean=Avg(took), most=Max(took)))
    in_line = [((kind,), n) for kind, n, _oldest in opened]
    waits = [((kind,), max(0.0, (now - oldest).total_seconds())) for kind, _n, oldest in opened]
    means = [((kind, state, "mean"), mean.total_seconds()) for kind, state, _n, mean, _most in ended]
    mosts = [((kind, state, "most"), most.total_seconds()) for kind, state, _n, _mean, most in ended]
    counts = [((kind, state), n) for kind, state, n, _mean, _most in ended]
    return [
        Gauge("broodtide_jobs_open", "Long work in line or in hand.", ("kind",), in_line),
        Gauge("broodtide_job_wait_seconds", "Since the oldest of them was asked for.", ("kind",), waits),
        Gauge("broodtide_jobs_ended", "Long work that ended within 24 hours.", ("kind", "state"), counts),
        Gauge("broodtide_job_seconds", "How long it took.", ("kind", "state", "what"), [*means, *mosts]),
    ]
