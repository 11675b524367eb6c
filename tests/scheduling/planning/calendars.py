"""Short ways to ask a calendar, shared by the tests of the timing engine."""

from scheduling.planning.facts import settings_from
from scheduling.planning.timing import BatchCalendar, BatchEvents, CohortCalendar, Step, batch_calendar


def note_keys(events: BatchEvents) -> list[str]:
    return [note.key for note in batch_calendar(events, settings_from({})).notes]


def step_of(calendar: BatchCalendar | CohortCalendar, key: str) -> Step:
    step = calendar.step(key)
    assert step is not None, key
    return step
