"""Moments and clocks: elapsed hours are added in UTC, wall-clock times are turned into UTC by fixed rules."""

import datetime as dt
from dataclasses import dataclass
from decimal import Decimal
from functools import lru_cache
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

SECONDS_PER_HOUR = 3600
NOON = 12


def elapsed_after(moment: dt.datetime, hours: Decimal | int) -> dt.datetime:
    """Return the moment that lies `hours` of elapsed time after `moment` (before it when negative), in UTC.

    The only way hours are added in this project: adding to a local datetime moves the hands of the clock, which
    is an hour more or less of real time when clocks change in between.

    Raises
    ------
    ValueError
        `moment` carries no time zone.
    """
    return _utc(moment) + dt.timedelta(seconds=float(Decimal(hours) * SECONDS_PER_HOUR))


def elapsed_hours(earlier: dt.datetime, later: dt.datetime) -> Decimal:
    """Return the elapsed hours from `earlier` to `later`, both with a time zone. [h]"""
    seconds = (_utc(later) - _utc(earlier)).total_seconds()
    return Decimal(str(seconds)) / SECONDS_PER_HOUR


def local_to_utc(day: dt.date, time: dt.time, zone: str) -> dt.datetime:
    """Return the UTC moment of a wall-clock time.

    A time that occurs twice (clocks go back) is the earlier of the two. A time that does not occur (clocks go
    forward) is the instant at which the clocks jump, the end of the last minute that did occur.

    Parameters
    ----------
    zone : IANA name, e.g. "Europe/Berlin".

    Raises
    ------
    ValueError
        Unknown zone, or `time` already carries one.
    """
    if time.tzinfo is not None:
        raise ValueError("time: a wall-clock time carries no time zone of its own.")
    local = dt.datetime.combine(day, time, tzinfo=zone_of(zone))
    earlier = local.replace(fold=0).astimezone(dt.UTC)
    if earlier.astimezone(local.tzinfo).replace(tzinfo=None) == local.replace(tzinfo=None):
        return earlier
    return _jump_between(local.replace(fold=1).astimezone(dt.UTC), earlier, zone_of(zone))


def local_day(moment: dt.datetime, zone: str) -> dt.date:
    """Return the calendar day of `moment` in `zone`."""
    return _utc(moment).astimezone(zone_of(zone)).date()


def clock_changes_between(earlier: dt.datetime, later: dt.datetime, zone: str) -> bool:
    """Say whether clocks in `zone` change between two moments, so that a message can mention it."""
    there = zone_of(zone)
    return _utc(earlier).astimezone(there).utcoffset() != _utc(later).astimezone(there).utcoffset()


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockChange:
    """One change of the clocks in a zone.

    at : UTC instant of the change.
    reads : what the clock reads at that instant, before its hands are moved. Local, without a zone.
    minutes : by which the hands move; forward is positive. [min]
    """

    at: dt.datetime
    reads: dt.datetime
    minutes: int

    def is_tonight(self, now: dt.datetime) -> bool:
        """Say whether it comes today, or in the night that follows."""
        here = (now + (self.reads.replace(tzinfo=dt.UTC) - self.at)).date()
        days = (self.reads.date() - here).days
        return self.at > now and (days == 0 or (days == 1 and self.reads.hour < NOON))


def next_clock_change(earlier: dt.datetime, later: dt.datetime, zone: str) -> ClockChange | None:
    """Return the first change of the clocks in `zone` after `earlier` and not after `later`, or None.

    Day by day, so that the two changes of a year do not hide each other.
    """
    there, start, end = zone_of(zone), _utc(earlier), _utc(later)
    while start < end:
        stop = min(start + dt.timedelta(days=1), end)
        before, after = (moment.astimezone(there).utcoffset() or dt.timedelta() for moment in (start, stop))
        if before != after:
            at = _jump_between(start.replace(microsecond=0), stop, there)
            reads = (at + before).replace(tzinfo=None)
            return ClockChange(at=at, reads=reads, minutes=int((after - before).total_seconds() // 60))
        start = stop
    return None


@lru_cache(maxsize=64)
def zone_of(name: str) -> ZoneInfo:
    """Return the zone of an IANA name; ValueError when there is none."""
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, IsADirectoryError):
        raise ValueError(f"zone: there is no time zone “{name}”. Use a name such as Europe/Berlin.") from None


def _utc(moment: dt.datetime) -> dt.datetime:
    if moment.tzinfo is None or moment.utcoffset() is None:
        raise ValueError("moment: a moment needs a time zone; this one carries none.")
    return moment.astimezone(dt.UTC)


def _jump_between(before: dt.datetime, after: dt.datetime, zone: ZoneInfo) -> dt.datetime:
    """Return the first whole second after which `zone` keeps the offset it has at `after`."""
    offset_before = before.astimezone(zone).utcoffset()
    low, high = 0, int((after - before).total_seconds())
    while low < high:
        middle = (low + high) // 2
        if (before + dt.timedelta(seconds=middle)).astimezone(zone).utcoffset() == offset_before:
            low = middle + 1
        else:
            high = middle
    return before + dt.timedelta(seconds=high)
