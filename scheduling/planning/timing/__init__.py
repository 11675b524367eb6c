"""The one place of date arithmetic: calendars of batches, cohorts and bench days from what was observed."""

from scheduling.planning.timing.backward import backward_plan
from scheduling.planning.timing.batch import batch_calendar
from scheduling.planning.timing.clock import (
    clock_changes_between,
    elapsed_after,
    elapsed_hours,
    local_day,
    local_to_utc,
)
from scheduling.planning.timing.cohort import cohort_calendar
from scheduling.planning.timing.events import BatchEvents, CohortEvents, Emergence, EventError
from scheduling.planning.timing.states import BatchState, CohortState, batch_state, cohort_state
from scheduling.planning.timing.steps import (
    Basis,
    BatchCalendar,
    CohortCalendar,
    ColdDelay,
    DroneFit,
    Fit,
    Note,
    Step,
    Who,
    Window,
)

__all__ = [
    "Basis",
    "BatchCalendar",
    "BatchEvents",
    "BatchState",
    "CohortCalendar",
    "CohortEvents",
    "CohortState",
    "ColdDelay",
    "DroneFit",
    "Emergence",
    "EventError",
    "Fit",
    "Note",
    "Step",
    "Who",
    "Window",
    "backward_plan",
    "batch_calendar",
    "batch_state",
    "clock_changes_between",
    "cohort_calendar",
    "cohort_state",
    "elapsed_after",
    "elapsed_hours",
    "local_day",
    "local_to_utc",
]
