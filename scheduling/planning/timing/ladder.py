"""When somebody is told of one thing: before, at its moment, again, and who is told besides when nobody answers.

Minutes of the ladder are choices of this app, not figures of the trade; a cooperative sets its own.
"""

import datetime as dt
from collections.abc import Iterable
from dataclasses import dataclass, field
from decimal import Decimal
from enum import StrEnum

from scheduling.planning.timing.clock import elapsed_after, local_to_utc, zone_of
from scheduling.planning.timing.days import days_later

MINUTES_PER_HOUR = 60
EVENING = dt.time(18, 0)
NIGHT_FROM, NIGHT_UNTIL = dt.time(21, 0), dt.time(7, 0)
DUE = "due"


class To(StrEnum):
    """The widest circle a telling reaches; each holds the smaller ones."""

    OWN = "own"
    DEPUTY = "deputy"
    COORDINATORS = "coordinators"


@dataclass(frozen=True)
class Rung:
    """One telling. `lead_min` : only for those who asked to hear of it that long before. [min]"""

    at: dt.datetime
    key: str
    to: To = To.OWN
    lead_min: int | None = None


@dataclass(frozen=True)
class LadderTimes:
    """After how long an unanswered critical thing is passed on. [min]"""

    deputy_after: int = 15
    coordinator_after: int = 45
    deputy_after_day: int = 360
    coordinator_after_day: int = 540


@dataclass(frozen=True)
class Matter:
    """What is to be told of.

    due_at, useful_until, created_at : UTC.
    zone : IANA name of the clock that its people live by.
    is_whole_day : told in the morning of its day, not at a moment.
    is_passed_on : critical; repeated and passed on until somebody acknowledges.
    was_put_off : somebody chose this time: nothing is told before it.
    leads_min : how long before its moment some of its people want to hear of it too. [min]
    """

    due_at: dt.datetime
    useful_until: dt.datetime
    created_at: dt.datetime
    zone: str
    is_whole_day: bool = False
    is_passed_on: bool = False
    was_put_off: bool = False
    leads_min: Iterable[int] = field(default=())


def ladder(matter: Matter, times: LadderTimes) -> list[Rung]:
    """Return every telling of a matter, in order of time.

    What would lie before the matter was written down is left out; a matter written down after its own moment is
    told at once, and passed on counted from then: nobody can answer what he could not yet know.
    """
    told_at = max(matter.due_at, matter.created_at)
    before = [] if matter.was_put_off else [*_leads(matter), *_before(matter)]
    rungs = [rung for rung in before if matter.created_at <= rung.at < told_at]
    rungs.append(Rung(told_at, DUE))
    if matter.is_passed_on:
        rungs += [rung for rung in _after(told_at, matter, times) if rung.at <= matter.useful_until]
    return sorted(rungs, key=lambda rung: rung.at)


def newest_rung(rungs: list[Rung], now: dt.datetime) -> Rung | None:
    """Return the last telling whose time has come: after a standstill the earlier ones are of no use."""
    return max((rung for rung in rungs if rung.at <= now), key=lambda rung: rung.at, default=None)


def next_rung(rungs: list[Rung], now: dt.datetime) -> Rung | None:
    """Return the first telling that is still to come."""
    return min((rung for rung in rungs if rung.at > now), key=lambda rung: rung.at, default=None)


def out_of_quiet_hours(
    moment: dt.datetime, *, quiet_from: dt.time | None, quiet_until: dt.time | None, zone: str
) -> dt.datetime:
    """Return `moment`, or the end of the quiet hours that it falls into. UTC."""
    if quiet_from is None or quiet_until is None or quiet_from == quiet_until:
        return moment
    local = moment.astimezone(zone_of(zone))
    day, time = local.date(), local.time()
    if quiet_from < quiet_until:
        return local_to_utc(day, quiet_until, zone) if quiet_from <= time < quiet_until else moment
    if time >= quiet_from:
        return local_to_utc(days_later(day, 1), quiet_until, zone)
    return local_to_utc(day, quiet_until, zone) if time < quiet_until else moment


def _leads(matter: Matter) -> list[Rung]:
    return [
        Rung(_minutes_after(matter.due_at, -lead), f"lead{lead}", lead_min=lead)
        for lead in sorted(set(matter.leads_min))
    ]


def _before(matter: Matter) -> list[Rung]:
    if not matter.is_passed_on:
        return []
    if matter.is_whole_day:
        return [Rung(_evening_before(matter), "evening")]
    rungs = [Rung(_minutes_after(matter.due_at, -120), "ahead"), Rung(_minutes_after(matter.due_at, -30), "soon")]
    return [Rung(_evening_before(matter), "evening"), *rungs] if _is_at_night(matter) else rungs


def _after(told_at: dt.datetime, matter: Matter, times: LadderTimes) -> list[Rung]:
    """Repeats go to everybody who has been told by then."""
    if matter.is_whole_day:
        steps = [
            (times.deputy_after_day // 2, "again1", To.OWN),
            (times.deputy_after_day, "deputy", To.DEPUTY),
            (times.coordinator_after_day, "coordinator", To.COORDINATORS),
            (times.coordinator_after_day + 24 * MINUTES_PER_HOUR, "again2", To.COORDINATORS),
        ]
    else:
        steps = [
            (times.deputy_after, "deputy", To.DEPUTY),
            (times.coordinator_after, "coordinator", To.COORDINATORS),
            (times.coordinator_after + 1 * MINUTES_PER_HOUR, "again1", To.COORDINATORS),
            (times.coordinator_after + 3 * MINUTES_PER_HOUR, "again2", To.COORDINATORS),
        ]
    return [Rung(_minutes_after(told_at, minutes), key, to) for minutes, key, to in steps]


def _is_at_night(matter: Matter) -> bool:
    time = matter.due_at.astimezone(zone_of(matter.zone)).time()
    return time >= NIGHT_FROM or time < NIGHT_UNTIL


def _evening_before(matter: Matter) -> dt.datetime:
    """The last evening at which people are awake before the moment: of its own day when it is due late at night."""
    local = matter.due_at.astimezone(zone_of(matter.zone))
    day = local.date() if local.time() >= NIGHT_FROM else days_later(local.date(), -1)
    return local_to_utc(day, EVENING, matter.zone)


def _minutes_after(moment: dt.datetime, minutes: int) -> dt.datetime:
    return elapsed_after(moment, Decimal(minutes) / MINUTES_PER_HOUR)
