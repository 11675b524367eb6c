"""CO2 treatments on record: which count, when the next is due, whether a third is worth giving."""

import datetime as dt
from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum

from scheduling.planning.facts import Settings
from scheduling.planning.timing.clock import elapsed_after, elapsed_hours, local_day, local_to_utc
from scheduling.planning.timing.days import days_later, whole_days
from scheduling.planning.timing.events import BatchEvents, Co2Way


@dataclass(frozen=True, slots=True, kw_only=True)
class Co2Record:
    """What is on record. `counted` are treatments far enough apart, `too_close` those that add nothing."""

    counted: tuple[dt.datetime, ...]
    too_close: tuple[dt.datetime, ...]
    wanted: int

    @property
    def missing(self) -> int:
        return max(0, self.wanted - len(self.counted))

    @property
    def is_complete(self) -> bool:
        return self.missing == 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Co2Due:
    """When a treatment is due, in UTC."""

    earliest_at: dt.datetime
    best_at: dt.datetime
    latest_at: dt.datetime


def is_co2_before(events: BatchEvents, settings: Settings) -> bool:
    """Whether the other CO2 is planned before the insemination, for some queens at least."""
    if events.co2_way is None:
        return bool(settings.co2_first_before)
    return events.co2_way is not Co2Way.AFTER


def is_co2_after(events: BatchEvents, settings: Settings) -> bool:
    """Whether the other CO2 is planned after the insemination, for some queens at least."""
    if events.co2_way is None:
        return not settings.co2_first_before
    return events.co2_way is not Co2Way.BEFORE


def co2_record(moments: Iterable[dt.datetime], settings: Settings) -> Co2Record:
    """Sort treatments into those that count and those too close to the one counted before.

    Under 3 hours (setting) two exposures work as one. An insemination under gas is a treatment like any other.

    References
    ----------
    Effect of time between CO2 treatments, J. Apic. Sci. 2022, doi:10.2478/jas-2022-0011.
    """
    counted: list[dt.datetime] = []
    too_close: list[dt.datetime] = []
    for moment in sorted(moments):
        if counted and elapsed_hours(counted[-1], moment) < settings.co2_pair_min_hours:
            too_close.append(moment)
        else:
            counted.append(moment)
    return Co2Record(counted=tuple(counted), too_close=tuple(too_close), wanted=settings.co2_treatments)


def co2_due_before(bench_at: dt.datetime, settings: Settings) -> Co2Due:
    """Return when the first CO2 is due before an insemination: 24 elapsed hours, up to twice that, not under 3."""
    return Co2Due(
        earliest_at=elapsed_after(bench_at, -2 * settings.co2_spacing_hours),
        best_at=elapsed_after(bench_at, -settings.co2_spacing_hours),
        latest_at=elapsed_after(bench_at, -settings.co2_pair_min_hours),
    )


def co2_due_after(inseminated_at: dt.datetime, settings: Settings) -> Co2Due:
    """Return when the follow-up CO2 is due after an insemination: 24 elapsed hours, not under 3, up to twice that.

    Later is still worth giving: laying then only starts later.
    """
    return Co2Due(
        earliest_at=elapsed_after(inseminated_at, settings.co2_pair_min_hours),
        best_at=elapsed_after(inseminated_at, settings.co2_spacing_hours),
        latest_at=elapsed_after(inseminated_at, 2 * settings.co2_spacing_hours),
    )


def co2_apart_before(events: BatchEvents, settings: Settings) -> list[dt.datetime]:
    """Return the treatments far enough before the insemination, or before the booked place; the rest make no pair.

    Gas on the hook is not among them. Of a place without an hour only treatments of earlier days are known to be apart.
    """
    moment = events.inseminated_at or events.bench_at
    if moment is not None:
        return sorted(at for at in events.co2_at if elapsed_hours(at, moment) >= settings.co2_pair_min_hours)
    if events.bench_on is not None:
        return sorted(at for at in events.co2_at if local_day(at, events.zone) < events.bench_on)
    return sorted(events.co2_at)


def co2_too_near(events: BatchEvents, settings: Settings) -> list[dt.datetime]:
    """Return the treatments shortly before a booked place, none of them dosed yet: with the gas there they are one."""
    if events.doses_at or co2_apart_before(events, settings):
        return []
    if events.bench_at is not None:
        return sorted(at for at in events.co2_at if elapsed_hours(at, events.bench_at) >= 0)
    return sorted(at for at in events.co2_at if local_day(at, events.zone) == events.bench_on)


class FirstCo2(StrEnum):
    """Whether the treatment before a dose makes a pair with the gas at the dose."""

    COUNTS = "counts"
    TOO_NEAR = "too_near"
    TOO_EARLY = "too_early"
    MISSING = "missing"


def first_co2_days(settings: Settings) -> int:
    """On how many calendar days before the bench day, at most, the first CO2 is given: twice the spacing."""
    return whole_days(2 * settings.co2_spacing_hours)


def first_co2_from(bench_on: dt.date, zone: str, settings: Settings) -> dt.datetime:
    """The earliest end of a first CO2 that belongs to a bench day, in UTC: 1 to 2 days before it is the practice.

    References
    ----------
    Standard methods for instrumental insemination, J. Apic. Res. 52(4) 2013, doi:10.3896/IBRA.1.52.4.09, section 3.3.
    """
    return local_to_utc(days_later(bench_on, -first_co2_days(settings)), dt.time(), zone)


def first_co2_of(
    ended_at: Iterable[dt.datetime], *, dosed_at: dt.datetime, counts_from: dt.datetime, settings: Settings
) -> tuple[FirstCo2, dt.datetime | None]:
    """Find out whether one of the treatments is the first of a pair with a dose; `js/bench/rules.js` is its twin.

    Parameters
    ----------
    ended_at : iterable of datetime
        Ends of her treatments without a dose. Those after the dose are left out.
    counts_from : datetime
        See `first_co2_from`.

    Returns
    -------
    FirstCo2
    datetime or None
        The treatment that decided: the last that counts, else the last of all.
    """
    before = sorted(at for at in ended_at if at <= dosed_at)
    apart = [at for at in before if elapsed_hours(at, dosed_at) >= settings.co2_pair_min_hours]
    counts = [at for at in apart if at >= counts_from]
    if counts:
        return FirstCo2.COUNTS, counts[-1]
    if len(apart) < len(before):
        return FirstCo2.TOO_NEAR, before[-1]
    return (FirstCo2.TOO_EARLY, apart[-1]) if apart else (FirstCo2.MISSING, None)


def co2_apart_after(
    moments: Iterable[dt.datetime], inseminated_at: dt.datetime | None, settings: Settings
) -> list[dt.datetime]:
    """Return the treatments far enough after the insemination; none before there was one."""
    if inseminated_at is None:
        return []
    return sorted(moment for moment in moments if elapsed_hours(inseminated_at, moment) >= settings.co2_pair_min_hours)


def co2_third_from(
    record: Co2Record, *, inseminated_on: dt.date, eggs_seen: bool, settings: Settings
) -> dt.date | None:
    """Return the day from which another CO2 is offered to a queen without eggs, or None.

    Only when fewer treatments are on record than wanted: a third adds nothing to two.
    """
    if eggs_seen or record.is_complete:
        return None
    return days_later(inseminated_on, settings.co2_third_after_days)
