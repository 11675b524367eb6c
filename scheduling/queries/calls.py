"""Drones that keepers are called for: how many, where, when, and when to catch them."""

import datetime as dt
from collections import defaultdict
from dataclasses import dataclass
from zoneinfo import ZoneInfo

from accounts.told import Told
from accounts.told import told as _
from scheduling.models import BenchSession, DroneCall, DroneSource, Plan, SessionState
from scheduling.planning.facts import Settings
from scheduling.planning.problem import Problem
from scheduling.planning.timing import Step, bench_day_steps
from scheduling.queries.board import reserve_drones, semen_parts
from scheduling.queries.change_words import zone_of_season
from scheduling.queries.plans import IN_FORCE
from scheduling.queries.season import settings_of


@dataclass(frozen=True)
class Call:
    """So many drones of a source for a session. `before`: called for until now; 0: none."""

    source: DroneSource
    session: BenchSession
    drones: int
    before: int = 0
    catch: str | Told = ""


def catch_step(session: BenchSession, zone: ZoneInfo, settings: Settings) -> Step:
    steps = bench_day_steps(session.starts_at, session.ends_at, str(zone), settings)
    return next(step for step in steps if step.key == "catch_drones")


def catch_words(session: BenchSession, zone: ZoneInfo, settings: Settings, *, today: dt.date | None = None) -> Told:
    """“on Thu 11 June, or on Fri 12 June before 09:30”; with `today`, its day and the next by these names."""
    step = catch_step(session, zone, settings)
    last = _("%(day)s before %(time)s") % {
        "day": _day(step.latest, today),
        "time": f"{session.starts_at.astimezone(zone):%H:%M}",
    }
    first = step.earliest if today is None else max(step.earliest, today)
    if first >= step.latest:
        return last
    return _("%(first)s, or %(last)s") % {"first": _day(first, today), "last": last}


def _day(day: dt.date, today: dt.date | None) -> Told:
    if today is not None and day == today:
        return _("today")
    if today is not None and (day - today).days == 1:
        return _("tomorrow")
    return _("on %(day)s") % {"day": day}


def calls_of_source(source: DroneSource, *, today: dt.date) -> list[Call]:
    """What the plan in force asks of a source in open sessions from today on."""
    zone, settings = zone_of_season(source.season), settings_of(source.season)
    calls = (
        DroneCall.objects.filter(
            source=source, plan__state__in=IN_FORCE, session__day__gte=today, session__state=SessionState.OPEN
        )
        .select_related("session__bench", "source")
        .order_by("session__starts_at")
    )
    return [
        Call(source, call.session, call.drones, catch=catch_words(call.session, zone, settings, today=today))
        for call in calls
    ]


def call_changes(plan: Plan, before: Plan | None, problem: Problem) -> list[Call]:
    """What publishing a sketch would call for anew, otherwise or no more; calls that stay the same are left out."""
    told = {
        (call.source_id, call.session_id): call
        for call in (before.drone_calls.select_related("source", "session__bench") if before is not None else [])
        if call.session.state == SessionState.OPEN
    }
    volumes: dict[tuple[int, int], float] = defaultdict(float)
    known: dict[tuple[int, int], tuple[DroneSource, BenchSession]] = {}
    placements = (
        plan.placements.filter(session__state=SessionState.OPEN)
        .select_related("booking", "session__bench", "source", "pool")
        .prefetch_related("pool__parts__source")
    )
    for placement in placements:
        for source, share in semen_parts(placement):
            key = (source.pk, placement.session_id)
            volumes[key] += share * placement.queens * placement.booking.dose_tenths
            known[key] = (source, placement.session)
    known |= {key: (call.source, call.session) for key, call in told.items()}
    found = [
        Call(
            source,
            session,
            reserve_drones(problem, source.pk, volumes.get(key, 0), session.day),
            told[key].drones if key in told else 0,
        )
        for key, (source, session) in known.items()
    ]
    changed = [call for call in found if call.drones != call.before]
    return sorted(changed, key=lambda call: (call.session.day, call.session.pk, call.source.letter))
