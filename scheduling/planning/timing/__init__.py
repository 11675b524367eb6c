"""The one place of date arithmetic: calendars of batches, cohorts and bench days from what was observed."""

from scheduling.planning.timing.backward import backward_plan
from scheduling.planning.timing.batch import batch_calendar, first_emergence, graft_day
from scheduling.planning.timing.batch_steps import bench_day_of
from scheduling.planning.timing.bench_day import bench_day_steps
from scheduling.planning.timing.cells import cold_delay_hours
from scheduling.planning.timing.changes import Moved, late_steps, steps_moved
from scheduling.planning.timing.clock import (
    clock_changes_between,
    elapsed_after,
    elapsed_hours,
    local_day,
    local_to_utc,
)
from scheduling.planning.timing.co2 import (
    Co2Due,
    Co2Record,
    FirstCo2,
    co2_due_after,
    co2_due_before,
    co2_record,
    co2_third_from,
    first_co2_days,
    first_co2_from,
    first_co2_of,
)
from scheduling.planning.timing.cohort import cohort_calendar
from scheduling.planning.timing.days import days_later
from scheduling.planning.timing.drone_notes import drone_notes
from scheduling.planning.timing.events import BatchEvents, Co2Way, CohortEvents, Emergence, EventError
from scheduling.planning.timing.ladder import (
    LadderTimes,
    Matter,
    Rung,
    To,
    ladder,
    newest_rung,
    next_rung,
    out_of_quiet_hours,
)
from scheduling.planning.timing.late import batch_late_notes, cohort_late_notes
from scheduling.planning.timing.limits import limit_said
from scheduling.planning.timing.orders import Disorder, disorders
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
from scheduling.planning.timing.still import CanStill, Chance, Deadline, can_still
from scheduling.planning.timing.store import lot_steps
from scheduling.planning.timing.windows import queen_age_days

__all__ = [
    "Basis",
    "BatchCalendar",
    "BatchEvents",
    "BatchState",
    "CanStill",
    "Chance",
    "Co2Due",
    "Co2Record",
    "Co2Way",
    "CohortCalendar",
    "CohortEvents",
    "CohortState",
    "ColdDelay",
    "Deadline",
    "Disorder",
    "DroneFit",
    "Emergence",
    "EventError",
    "FirstCo2",
    "Fit",
    "LadderTimes",
    "Matter",
    "Moved",
    "Note",
    "Rung",
    "Step",
    "To",
    "Who",
    "Window",
    "backward_plan",
    "batch_calendar",
    "batch_late_notes",
    "batch_state",
    "bench_day_of",
    "bench_day_steps",
    "can_still",
    "clock_changes_between",
    "co2_due_after",
    "co2_due_before",
    "co2_record",
    "co2_third_from",
    "cohort_calendar",
    "cohort_late_notes",
    "cohort_state",
    "cold_delay_hours",
    "days_later",
    "disorders",
    "drone_notes",
    "elapsed_after",
    "elapsed_hours",
    "first_co2_days",
    "first_co2_from",
    "first_co2_of",
    "first_emergence",
    "graft_day",
    "ladder",
    "late_steps",
    "limit_said",
    "local_day",
    "local_to_utc",
    "lot_steps",
    "newest_rung",
    "next_rung",
    "out_of_quiet_hours",
    "queen_age_days",
    "steps_moved",
]
