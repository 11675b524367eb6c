"""The calendar of a queen batch, forward from the last thing that was observed."""

from scheduling.planning.facts import Settings
from scheduling.planning.timing.events import BatchEvents
from scheduling.planning.timing.steps import BatchCalendar


def batch_calendar(events: BatchEvents, settings: Settings) -> BatchCalendar:
    """Return every date of a batch, or of one queen when `events` are hers."""
    raise NotImplementedError
