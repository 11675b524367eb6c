"""The calendar of a drone cohort, forward from the last thing that was observed."""

from scheduling.planning.facts import Settings
from scheduling.planning.timing.events import CohortEvents
from scheduling.planning.timing.steps import CohortCalendar


def cohort_calendar(events: CohortEvents, settings: Settings) -> CohortCalendar:
    """Return every date of a cohort."""
    raise NotImplementedError
