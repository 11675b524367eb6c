"""What no longer fits a booked place or the record, and what would help. Notes never move anything."""

import datetime as dt
from collections.abc import Sequence

from scheduling.planning.facts import Settings
from scheduling.planning.timing.batch_steps import bench_day_of
from scheduling.planning.timing.cells import Cells
from scheduling.planning.timing.clock import local_day
from scheduling.planning.timing.co2 import co2_record, is_co2_before
from scheduling.planning.timing.days import days_later, said, whole_days
from scheduling.planning.timing.events import BatchEvents
from scheduling.planning.timing.steps import Fit, Note, Window
from scheduling.planning.timing.windows import queen_age_days


def batch_notes(
    events: BatchEvents, cells: Cells, windows: Sequence[Window], window: Window, settings: Settings
) -> tuple[Note, ...]:
    """Return every note on a batch, cells first, then the place, then CO2 and eggs."""
    return (
        *_cell_notes(events, cells, window),
        *_window_notes(window),
        *_place_notes(events, windows, settings),
        *_co2_notes(events, settings),
        *_egg_notes(events),
    )


def _cell_notes(events: BatchEvents, cells: Cells, window: Window) -> list[Note]:
    notes: list[Note] = []
    if cells.cold_delay.is_outside:
        notes.append(
            Note(
                key="temperature_outside",
                text=f"Cells at {events.cell_temperature_c} °C lie outside what was ever measured; "
                "the day of emergence is not known.",
                help="Look every day, and cage early.",
                rows=("Q07", "Q19"),
            )
        )
    if cells.is_sealing_odd:
        notes.append(
            Note(
                key="sealing_odd",
                text=f"Cells sealed on {said(cells.sealed_on)} do not go with a graft on {said(cells.grafted_on)}.",
                help="Correct the day if it says when you looked. Older larvae than thought emerge early.",
                rows=("Q04", "Q14"),
            )
        )
    if window.is_observed and events.caged_on is not None and events.caged_on > window.emerged_first_on:
        notes.append(
            Note(
                key="caged_too_late",
                text=f"The first virgin emerged on {said(window.emerged_first_on)}, "
                f"before the cells were caged on {said(events.caged_on)}.",
                help="Look for cells torn open at the side and count the virgins again.",
                rows=("Q14", "Q21"),
            )
        )
    return notes


def _window_notes(window: Window) -> list[Note]:
    if window.opens_on <= window.last_on:
        return []
    return [
        Note(
            key="scattered",
            text=f"The virgins emerged from {said(window.emerged_first_on)} to {said(window.emerged_last_on)}; "
            "no normal bench day suits all of them.",
            help="Split the batch by day of emergence and ask for two days.",
            rows=("V01", "V03"),
        )
    ]


def _place_notes(events: BatchEvents, windows: Sequence[Window], settings: Settings) -> list[Note]:
    bench_on = bench_day_of(events)
    if bench_on is None or events.doses_at:
        return []
    notes = [_misfit(window, bench_on, settings) for window in windows]
    return [note for note in notes if note is not None] + _co2_too_young(events, windows, bench_on, settings)


def _misfit(window: Window, bench_on: dt.date, settings: Settings) -> Note | None:
    age = queen_age_days(window.emerged_first_on, bench_on)
    born = f"Virgins of {said(window.emerged_first_on)}"
    between = f"Any day from {said(window.opens_on)} to {said(window.last_on)} would suit them."
    match window.fit(bench_on):
        case Fit.TOO_YOUNG:
            return Note(
                key="too_young",
                text=f"{born} are {age} days old on {said(bench_on)}; "
                f"{settings.virgin_age_first_days} is the youngest.",
                help=between,
                rows=("V01", "V02"),
            )
        case Fit.NEEDS_REASON:
            return Note(
                key="needs_reason",
                text=f"{born} are {age} days old on {said(bench_on)}; above {settings.virgin_age_last_days} "
                "a reason is needed.",
                help=f"{between} Until {said(window.last_with_reason_on)} with a reason.",
                rows=("V02", "V03", "V05"),
            )
        case Fit.PAST_IT:
            return Note(
                key="past_it",
                text=f"{born} are {age} days old on {said(bench_on)}; above {settings.virgin_age_reason_last_days} "
                "no queen is inseminated.",
                help=f"{between} Otherwise free the place for others; after {settings.virgin_give_up_age_days} days "
                "a virgin hardly mates or lays normally any more.",
                rows=("V02", "V05", "V16"),
            )
        case _:
            return None


def _co2_too_young(events: BatchEvents, windows: Sequence[Window], bench_on: dt.date, settings: Settings) -> list[Note]:
    if not is_co2_before(events, settings) or events.co2_at:
        return []
    co2_on = days_later(bench_on, -whole_days(settings.co2_spacing_hours))
    youngest = max(window.emerged_last_on for window in windows)
    age = queen_age_days(youngest, co2_on)
    if age >= settings.co2_first_age_days:
        return []
    return [
        Note(
            key="co2_too_young",
            text=f"On {said(co2_on)}, the day of the first CO2, the youngest virgins are {age} days old; "
            f"{settings.co2_first_age_days} is the youngest.",
            help="Give the CO2 after the insemination instead.",
            rows=("C02", "C03", "V01"),
        )
    ]


def _co2_notes(events: BatchEvents, settings: Settings) -> list[Note]:
    record = co2_record((*events.co2_at, *events.doses_at), settings)
    # Gas on the hook is recorded beside its dose; only a treatment of its own can come too close.
    alone = co2_record(events.co2_at, settings)
    notes: list[Note] = []
    if alone.too_close:
        notes.append(
            Note(
                key="co2_too_close",
                text=f"Two CO2 treatments lie under {settings.co2_pair_min_hours} hours apart and count as one.",
                help="Give another one, 24 hours later.",
                rows=("C15", "C17"),
            )
        )
    if events.doses_at and not record.is_complete:
        notes.append(
            Note(
                key="co2_missing",
                text=f"{len(record.counted)} of {record.wanted} CO2 treatments are on record.",
                help="Give the missing one; late is better than not at all, she only lays later.",
                rows=("C01", "C16"),
            )
        )
    return notes


def _egg_notes(events: BatchEvents) -> list[Note]:
    if events.eggs_seen_on is None:
        return []
    first = events.inseminated_at
    if first is not None and events.eggs_seen_on > local_day(first, events.zone):
        return []
    return [
        Note(
            key="eggs_before",
            text=f"Eggs were seen on {said(events.eggs_seen_on)}, before any insemination.",
            help="She may have mated on the wing, or CO2 started her laying. Do not inseminate before it is clear.",
            rows=("L09", "V10"),
        )
    ]
