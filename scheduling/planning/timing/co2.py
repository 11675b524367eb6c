"""CO2 treatments on record: which count, when the next is due, whether a third is worth giving."""

import datetime as dt
from collections.abc import Iterable
from dataclasses import dataclass

from scheduling.planning.facts import Settings
from scheduling.planning.timing.clock import elapsed_after, elapsed_hours
from scheduling.planning.timing.days import days_later
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


def co2_apart_before(
    moments: Iterable[dt.datetime], inseminated_at: dt.datetime | None, settings: Settings
) -> list[dt.datetime]:
    """Return the treatments far enough before the insemination; those on the hook are not among them."""
    if inseminated_at is None:
        return sorted(moments)
    return sorted(moment for moment in moments if elapsed_hours(moment, inseminated_at) >= settings.co2_pair_min_hours)


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
