"""In which state a batch or a cohort is today. Keys only: words and icons stand in the registry of states."""

import datetime as dt
from enum import StrEnum

from scheduling.planning.timing.clock import local_day
from scheduling.planning.timing.days import days_later
from scheduling.planning.timing.events import BatchEvents, CohortEvents
from scheduling.planning.timing.steps import BatchCalendar, CohortCalendar

COMING_READY_DAYS = 2
"""A batch is shown as coming ready so many days before its window opens. A choice of display, not of the trade."""


class BatchState(StrEnum):
    PLANNED = "planned"
    GRAFTED = "grafted"
    STARTED = "started"
    CAPPED = "capped"
    EMERGED = "emerged"
    COMING_READY = "coming_ready"
    READY = "ready"
    LAST_DAYS = "last_days"
    PAST_IT = "past_it"
    INSEMINATED = "inseminated"
    LAYING = "laying"
    CLOSED = "closed"


class CohortState(StrEnum):
    PROMISED = "promised"
    COMB_IN = "comb_in"
    LAID = "laid"
    CAPPED = "capped"
    EMERGING = "emerging"
    RIPENING = "ripening"
    RIPE = "ripe"
    FADING = "fading"
    SPENT = "spent"


def batch_state(events: BatchEvents, calendar: BatchCalendar, today: dt.date) -> BatchState:
    """Return the state of a batch.

    What was observed goes first. Cells seal and virgins emerge whether or not somebody writes it down, so from the
    graft on the calendar moves the state too; grafting, counting, insemination and eggs are only ever observed.
    With several emergences the batch is ready while any of its virgins is, and past it when all are.
    """
    if events.closed_on is not None and today >= events.closed_on:
        return BatchState.CLOSED
    if events.inseminated_at is not None:
        laid_on = events.since(local_day(events.inseminated_at, events.zone)).eggs_seen_on
        return BatchState.LAYING if laid_on is not None and today >= laid_on else BatchState.INSEMINATED
    if not events.emergences and (events.grafted_on is None or today < events.grafted_on):
        return BatchState.PLANNED
    if today >= min(window.emerged_first_on for window in calendar.windows):
        return _virgin_state(calendar, today)
    if today >= calendar.sealed_on:
        return BatchState.CAPPED
    if events.cells_started is not None:
        return BatchState.STARTED
    return BatchState.GRAFTED


def _virgin_state(calendar: BatchCalendar, today: dt.date) -> BatchState:
    opens = min(window.opens_on for window in calendar.windows)
    if today > max(window.last_with_reason_on for window in calendar.windows):
        return BatchState.PAST_IT
    if today > max(window.best_to for window in calendar.windows):
        return BatchState.LAST_DAYS
    if today >= opens:
        return BatchState.READY
    if today >= days_later(opens, -COMING_READY_DAYS):
        return BatchState.COMING_READY
    return BatchState.EMERGED


def cohort_state(events: CohortEvents, calendar: CohortCalendar, today: dt.date) -> CohortState:
    """Return the state of a cohort. From the comb on the calendar moves it: brood does not wait for a count."""
    if events.ended_on is not None and today >= events.ended_on:
        return CohortState.SPENT
    if not _has_begun(events, today):
        return CohortState.PROMISED
    steps = (
        (calendar.spent_from, CohortState.SPENT),
        (max(calendar.ripe_from, days_later(calendar.preferred_to, 1)), CohortState.FADING),
        (calendar.ripe_from, CohortState.RIPE),
        (days_later(calendar.emerging_to, 1), CohortState.RIPENING),
        (calendar.emerging_from, CohortState.EMERGING),
        (calendar.capped_from, CohortState.CAPPED),
        (events.laid_on or calendar.laid_to, CohortState.LAID),
    )
    return next((state for since, state in steps if today >= since), CohortState.COMB_IN)


def _has_begun(events: CohortEvents, today: dt.date) -> bool:
    observed = (events.comb_in_on, events.laid_on, events.capped_on, events.emerged_on)
    return any(day is not None and day <= today for day in observed)
