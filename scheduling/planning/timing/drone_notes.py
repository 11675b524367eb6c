"""What no longer fits of the drones that are called to a bench day, and what would. Notes never move anything."""

import datetime as dt
from collections.abc import Iterable, Mapping

from scheduling.planning.facts import Settings
from scheduling.planning.timing.days import days_later, said
from scheduling.planning.timing.steps import CohortCalendar, DroneFit, Note

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
            text=f"Drones are called for {said(day)}, but no comb is on record.",
            help=help_,
            rows=("R14", "R30"),
        )
    key = (
        "drones_need_reason"
        if DroneFit.NEEDS_REASON in fits.values()
        else ("drones_unripe" if DroneFit.UNRIPE in fits.values() else "drones_spent")
    )
    parts = [_ages(name, cohorts[name], day) for name in sorted(cohorts)]
    return Note(
        key=key,
        text=f"No drones are ripe on {said(day)}: {'; '.join(parts)}.",
        help=help_,
        rows=("R06", "R07", "R14"),
    )


def _ages(name: str, calendar: CohortCalendar, day: dt.date) -> str:
    youngest, oldest = calendar.ages_on(day)
    if oldest < 0:
        return f"{name} has not emerged"
    return f"{name} is {max(youngest, 0)} to {oldest} days old"


def _what_would(cohorts: Mapping[str, CohortCalendar], day: dt.date, settings: Settings) -> str:
    """The nearest days that would suit, on either side."""
    usable = [calendar for calendar in cohorts.values() if calendar.is_usable]
    later = min((calendar.ripe_from for calendar in usable if calendar.ripe_from > day), default=None)
    before = max((calendar.last_on for calendar in usable if calendar.last_on < day), default=None)
    days = [
        *([f"until {said(before)}"] if before else []),
        *([f"from {said(later)} on"] if later else []),
    ]
    help_ = f"{settings.drone_age_first_days} to {settings.drone_age_last_days} days is the age."
    reason = [calendar for calendar in cohorts.values() if calendar.fit(day) is DroneFit.NEEDS_REASON]
    if reason:
        help_ += f" From {settings.drone_age_emergency_days} days with a reason."
    if days:
        return f"{help_} Ripe {' and '.join(days)}; otherwise another source or stored semen."
    last_egg = settings.drone_development_days + settings.comb_lag_days
    comb_on = days_later(day, -settings.drone_age_first_days - last_egg)
    return f"{help_} The last comb for that day was {said(comb_on)}; take another source or stored semen."
