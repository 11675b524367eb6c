"""What no longer fits of the drones that are called to a bench day, and what would. Notes never move anything."""

import datetime as dt
from collections.abc import Iterable, Mapping
from functools import reduce

from scheduling.planning.facts import Settings
from scheduling.planning.timing.days import days_later, days_said
from scheduling.planning.timing.steps import CohortCalendar, DroneFit, Note
from scheduling.planning.words import Words
from scheduling.planning.words import message as _

_FITTING = (DroneFit.RIPE, DroneFit.FADING)


def drone_notes(
    cohorts: Mapping[str, CohortCalendar], bench_days: Iterable[dt.date], settings: Settings
) -> tuple[Note, ...]:
    """Return a note for each bench day on which no cohort of a source is ripe without a reason.

    Parameters
    ----------
    cohorts : calendars of the source's cohorts that are still there, by any name.
    bench_days : days to which a plan calls its drones.
    """
    return tuple(note for day in sorted(set(bench_days)) if (note := _note_of(cohorts, day, settings)) is not None)


def _note_of(cohorts: Mapping[str, CohortCalendar], day: dt.date, settings: Settings) -> Note | None:
    fits = {name: calendar.fit(day) for name, calendar in cohorts.items()}
    if any(fit in _FITTING for fit in fits.values()):
        return None
    help_ = _what_would(cohorts, day, settings)
    if not cohorts:
        return Note(
            key="no_drones",
            text=_("Drones are called for %(day)s, but no comb is on record.", day=day),
            help=help_,
            rows=("R14", "R30"),
        )
    key = (
        "drones_need_reason"
        if DroneFit.NEEDS_REASON in fits.values()
        else ("drones_unripe" if DroneFit.UNRIPE in fits.values() else "drones_spent")
    )
    ages = reduce(_and_more, [_ages(name, cohorts[name], day) for name in sorted(cohorts)])
    return Note(
        key=key,
        text=_("No drones are ripe on %(day)s: %(ages)s.", day=day, ages=ages),
        help=help_,
        rows=("R06", "R07", "R14"),
    )


def _and_more(one: Words, other: Words) -> Words:
    return _("%(one)s; %(other)s", one=one, other=other)


def _ages(name: str, calendar: CohortCalendar, day: dt.date) -> Words:
    youngest, oldest = calendar.ages_on(day)
    if oldest < 0:
        return _("%(comb)s has not emerged", comb=name)
    return _(
        "%(comb)s is %(youngest)s to %(oldest)s old", comb=name, youngest=max(youngest, 0), oldest=days_said(oldest)
    )


def _what_would(cohorts: Mapping[str, CohortCalendar], day: dt.date, settings: Settings) -> Words:
    """The nearest days that would suit, on either side."""
    usable = [calendar for calendar in cohorts.values() if calendar.is_usable]
    later = min((calendar.ripe_from for calendar in usable if calendar.ripe_from > day), default=None)
    before = max((calendar.last_on for calendar in usable if calendar.last_on < day), default=None)
    age = _(
        "%(first)s to %(last)s is the age.",
        first=settings.drone_age_first_days,
        last=days_said(settings.drone_age_last_days),
    )
    if any(calendar.fit(day) is DroneFit.NEEDS_REASON for calendar in cohorts.values()):
        age = _("%(age)s From %(days)s with a reason.", age=age, days=days_said(settings.drone_age_emergency_days))
    if before and later:
        return _(
            "%(age)s Ripe until %(before)s and from %(later)s on; otherwise another source or stored semen.",
            age=age,
            before=before,
            later=later,
        )
    if before:
        return _("%(age)s Ripe until %(before)s; otherwise another source or stored semen.", age=age, before=before)
    if later:
        return _("%(age)s Ripe from %(later)s on; otherwise another source or stored semen.", age=age, later=later)
    last_egg = settings.drone_development_days + settings.comb_lag_days
    comb_on = days_later(day, -settings.drone_age_first_days - last_egg)
    return _(
        "%(age)s The last comb for that day was %(comb)s; take another source or stored semen.", age=age, comb=comb_on
    )
