"""On which days virgins may be inseminated."""

import datetime as dt
from collections.abc import Sequence

from scheduling.planning.facts import Settings
from scheduling.planning.timing.clock import elapsed_after, local_to_utc
from scheduling.planning.timing.days import HOURS_PER_DAY, days_later
from scheduling.planning.timing.events import Emergence
from scheduling.planning.timing.steps import Window


def window_of(emergences: Sequence[Emergence], settings: Settings, *, zone: str, is_observed: bool) -> Window:
    """Return the days that suit all virgins of `emergences`: the youngest old enough, the oldest not too old.

    Days are calendar days. With the hour of the last emergence the moment of that age is known too, in elapsed time.
    """
    first = min(emergence.on for emergence in emergences)
    last = max(emergence.on for emergence in emergences)
    opens_on = days_later(last, settings.virgin_age_first_days)
    last_with_reason_on = days_later(first, settings.virgin_age_reason_last_days)
    return Window(
        emerged_first_on=first,
        emerged_last_on=last,
        is_observed=is_observed,
        virgins=_virgins(emergences),
        opens_on=opens_on,
        best_from=days_later(last, settings.virgin_age_best_first_days),
        best_on=max(opens_on, days_later(first, settings.virgin_age_planned_days)),
        best_to=days_later(first, settings.virgin_age_best_last_days),
        last_on=days_later(first, settings.virgin_age_last_days),
        last_with_reason_on=last_with_reason_on,
        blocked_from=days_later(last_with_reason_on, 1),
        opens_at=_aged_at(emergences, settings.virgin_age_first_days, zone),
    )


def youngest_emerged_at(emergences: Sequence[Emergence], zone: str) -> dt.datetime | None:
    """Return the moment at which the last virgins emerged, or None when an hour of that day is not known."""
    last = max(emergence.on for emergence in emergences)
    hours = [emergence.hour for emergence in emergences if emergence.on == last]
    known = [hour for hour in hours if hour is not None]
    return local_to_utc(last, dt.time(max(known)), zone) if len(known) == len(hours) else None


def oldest_emerged_at(emergences: Sequence[Emergence], zone: str) -> dt.datetime | None:
    """The same of the first virgins."""
    first = min(emergence.on for emergence in emergences)
    hours = [emergence.hour for emergence in emergences if emergence.on == first]
    known = [hour for hour in hours if hour is not None]
    return local_to_utc(first, dt.time(min(known)), zone) if len(known) == len(hours) else None


def _aged_at(emergences: Sequence[Emergence], days: int, zone: str) -> dt.datetime | None:
    emerged_at = youngest_emerged_at(emergences, zone)
    return None if emerged_at is None else elapsed_after(emerged_at, HOURS_PER_DAY * days)


def queen_age_days(emerged_on: dt.date, on: dt.date) -> int:
    """Return the age in whole calendar days; the day of emergence is 0, before it the age is negative."""
    return (on - emerged_on).days


def _virgins(emergences: Sequence[Emergence]) -> int | None:
    counts = [emergence.virgins for emergence in emergences]
    return None if any(count is None for count in counts) else sum(count or 0 for count in counts)
