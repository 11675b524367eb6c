"""The calendar of a queen batch, forward from the last thing that was observed."""

import datetime as dt
from functools import lru_cache

from scheduling.planning.facts import Settings
from scheduling.planning.timing.batch_notes import batch_notes
from scheduling.planning.timing.batch_steps import batch_steps
from scheduling.planning.timing.cells import cells_forecast
from scheduling.planning.timing.events import BatchEvents, Emergence
from scheduling.planning.timing.steps import BatchCalendar
from scheduling.planning.timing.windows import window_of


def graft_day(events: BatchEvents, settings: Settings) -> dt.date:
    """Return the day of the graft, as observed, as planned or as it follows; the calendar's `grafted_on`."""
    return cells_forecast(events, settings).grafted_on


def first_emergence(events: BatchEvents, settings: Settings) -> dt.date:
    """Return the day on which the first virgins emerged, else that on which they are expected.

    It is the calendar's `emergence_on`, for those who need no other of its days.
    """
    if events.emergences:
        return min(emergence.on for emergence in events.emergences)
    return cells_forecast(events, settings).emergence_on


@lru_cache(maxsize=4096)  # the same dates are asked for with every page that shows them
def batch_calendar(events: BatchEvents, settings: Settings) -> BatchCalendar:
    """Return every date of a batch, or of one queen when `events` are hers.

    Each date follows from the last observation before it. A booked place stays where it is: what no longer fits it
    stands in `notes`, and so do records that cannot both be so.

    Raises
    ------
    EventError
        Neither a graft nor a wanted bench day nor an emergence is known; or a temperature that cannot be.
    """
    cells = cells_forecast(events, settings)
    is_observed = bool(events.emergences)
    emergences = events.emergences or (Emergence(on=cells.emergence_on),)
    window = window_of(emergences, settings, zone=events.zone, is_observed=is_observed)
    windows = tuple(
        window_of((emergence,), settings, zone=events.zone, is_observed=is_observed)
        for emergence in sorted(emergences, key=lambda emergence: emergence.on)
    )
    early_on = min(cells.early_on, window.emerged_first_on)
    return BatchCalendar(
        grafted_on=cells.grafted_on,
        sealed_on=cells.sealed_on,
        cage_on=min(cells.cage_on, early_on),
        emergence_early_on=early_on,
        emergence_on=window.emerged_first_on,
        emergence_late_on=max(cells.late_on, window.emerged_last_on),
        windows=windows,
        window=window,
        steps=batch_steps(events, cells, window, settings),
        notes=batch_notes(events, cells, windows, window, settings),
        cold_delay=cells.cold_delay,
    )
