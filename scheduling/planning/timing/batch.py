"""The calendar of a queen batch, forward from the last thing that was observed."""

from scheduling.planning.facts import Settings
from scheduling.planning.timing.batch_notes import batch_notes
from scheduling.planning.timing.batch_steps import batch_steps
from scheduling.planning.timing.cells import cells_forecast
from scheduling.planning.timing.events import BatchEvents, Emergence
from scheduling.planning.timing.steps import BatchCalendar
from scheduling.planning.timing.windows import window_of


def batch_calendar(events: BatchEvents, settings: Settings) -> BatchCalendar:
    """Return every date of a batch, or of one queen when `events` are hers.

    Each date follows from the last observation before it. A booked place stays where it is: what no longer fits it
    stands in `notes`.

    Raises
    ------
    EventError
        Neither a graft nor a wanted bench day nor an emergence is known; or a temperature that cannot be.
    """
    cells = cells_forecast(events, settings)
    is_observed = bool(events.emergences)
    emergences = events.emergences or (Emergence(on=cells.emergence_on),)
    window = window_of(emergences, settings, is_observed=is_observed)
    windows = tuple(
        window_of((emergence,), settings, is_observed=is_observed)
        for emergence in sorted(emergences, key=lambda emergence: emergence.on)
    )
    return BatchCalendar(
        grafted_on=cells.grafted_on,
        sealed_on=cells.sealed_on,
        cage_on=cells.cage_on,
        emergence_early_on=min(cells.early_on, window.emerged_first_on),
        emergence_on=window.emerged_first_on,
        emergence_late_on=max(cells.late_on, window.emerged_last_on),
        windows=windows,
        window=window,
        steps=batch_steps(events, cells, window, settings),
        notes=batch_notes(events, cells, windows, window, settings),
        cold_delay=cells.cold_delay,
    )
