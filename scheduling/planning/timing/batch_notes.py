"""What no longer fits a booked place or the record, and what would help. Notes never move anything."""

import datetime as dt
from collections.abc import Sequence

from scheduling.planning.facts import Settings
from scheduling.planning.timing.batch_steps import bench_day_of
from scheduling.planning.timing.cells import Cells
from scheduling.planning.timing.clock import elapsed_hours, local_day, zone_of
from scheduling.planning.timing.co2 import co2_due_before, co2_record, co2_too_near, is_co2_before
from scheduling.planning.timing.days import HOURS_PER_DAY, days_later, days_said, hours_said, whole_days
from scheduling.planning.timing.events import BatchEvents
from scheduling.planning.timing.orders import order_notes
from scheduling.planning.timing.steps import Fit, Note, Window
from scheduling.planning.timing.windows import queen_age_days, youngest_emerged_at
from scheduling.planning.words import Param
from scheduling.planning.words import message as _


def batch_notes(
    events: BatchEvents, cells: Cells, windows: Sequence[Window], window: Window, settings: Settings
) -> tuple[Note, ...]:
    """Return every note on a batch: impossible dates, the cells, the place, CO2, eggs."""
    return (
        *order_notes(events),
        *_cell_notes(events, cells, window),
        *_window_notes(window),
        *_place_notes(events, windows, settings),
        *_co2_notes(events, settings),
        *_egg_notes(events, settings),
    )


def _cell_notes(events: BatchEvents, cells: Cells, window: Window) -> list[Note]:
    notes: list[Note] = []
    if cells.cold_delay.is_outside:
        notes.append(
            Note(
                key="temperature_outside",
                text=_(
                    "Cells at %(degrees)s °C lie outside what was ever measured; the day of emergence is not known.",
                    degrees=events.cell_temperature_c or 0,
                ),
                help=_("Look every day, and cage early."),
                rows=("Q07", "Q19"),
            )
        )
    if cells.is_sealing_odd and cells.sealed_on >= cells.grafted_on:
        notes.append(
            Note(
                key="sealing_odd",
                text=_(
                    "Cells sealed on %(sealed)s do not go with a graft on %(graft)s.",
                    sealed=cells.sealed_on,
                    graft=cells.grafted_on,
                ),
                help=_("Correct the day if it says when you looked. Older larvae than thought emerge early."),
                rows=("Q04", "Q14"),
            )
        )
    if window.is_observed and events.caged_on is not None and events.caged_on > window.emerged_first_on:
        notes.append(
            Note(
                key="caged_too_late",
                text=_(
                    "The first virgin emerged on %(first)s, before the cells were caged on %(caged)s.",
                    first=window.emerged_first_on,
                    caged=events.caged_on,
                ),
                help=_("Look for cells torn open at the side and count the virgins again."),
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
            text=_(
                "The virgins emerged from %(first)s to %(last)s; no normal bench day suits all of them.",
                first=window.emerged_first_on,
                last=window.emerged_last_on,
            ),
            help=_("Split the batch by day of emergence and ask for as many days."),
            rows=("V01", "V03"),
        )
    ]


def _place_notes(events: BatchEvents, windows: Sequence[Window], settings: Settings) -> list[Note]:
    bench_on = bench_day_of(events)
    if bench_on is None or events.doses_at:
        return []
    misfits = [_misfit(window, bench_on, settings) for window in windows]
    return [
        *(note for note in misfits if note is not None),
        *(note for window in windows for note in _young_by_the_hour(events, window, bench_on, settings)),
        *_co2_too_young(events, windows, bench_on, settings),
    ]


def _misfit(window: Window, bench_on: dt.date, settings: Settings) -> Note | None:
    age = queen_age_days(window.emerged_first_on, bench_on)
    so: dict[str, Param] = {"born": window.emerged_first_on, "age": days_said(age), "day": bench_on}
    between: dict[str, Param] = {"first": window.opens_on, "last": window.last_on}
    match window.fit(bench_on):
        case Fit.TOO_YOUNG:
            return Note(
                key="too_young",
                text=_(
                    "Virgins of %(born)s are %(age)s old on %(day)s; %(limit)s is the youngest.",
                    limit=settings.virgin_age_first_days,
                    **so,
                ),
                help=_("Any day from %(first)s to %(last)s would suit them.", **between),
                rows=("V01", "V02"),
            )
        case Fit.NEEDS_REASON:
            return Note(
                key="needs_reason",
                text=_(
                    "Virgins of %(born)s are %(age)s old on %(day)s; above %(limit)s a reason is needed.",
                    limit=settings.virgin_age_last_days,
                    **so,
                ),
                help=_(
                    "Any day from %(first)s to %(last)s would suit them. Until %(until)s with a reason.",
                    until=window.last_with_reason_on,
                    **between,
                ),
                rows=("V02", "V03", "V05"),
            )
        case Fit.PAST_IT:
            return Note(
                key="past_it",
                text=_(
                    "Virgins of %(born)s are %(age)s old on %(day)s; above %(limit)s no queen is inseminated.",
                    limit=settings.virgin_age_reason_last_days,
                    **so,
                ),
                help=_(
                    "Any day from %(first)s to %(last)s would suit them. Otherwise free the place for others; "
                    "after %(give_up)s a virgin hardly mates or lays normally any more.",
                    give_up=days_said(settings.virgin_give_up_age_days),
                    **between,
                ),
                rows=("V02", "V05", "V16"),
            )
        case _:
            return None


def _young_by_the_hour(events: BatchEvents, window: Window, bench_on: dt.date, settings: Settings) -> list[Note]:
    """The day suits, but at the hour of the bench they lack hours to that age."""
    opens_at, bench_at = window.opens_at, events.bench_at
    if opens_at is None or bench_at is None or window.fit(bench_on) is not Fit.NORMAL or bench_at >= opens_at:
        return []
    local = opens_at.astimezone(zone_of(events.zone))
    return [
        Note(
            key="young_by_hour",
            text=_(
                "Virgins of %(born)s lack %(hours)s to the age of %(age)s when the bench begins on %(day)s.",
                born=window.emerged_first_on,
                hours=hours_said(round(elapsed_hours(bench_at, opens_at), 1)),
                age=days_said(settings.virgin_age_first_days),
                day=bench_on,
            ),
            help=_(
                "They are old enough on %(day)s at %(time)s: take them last, or ask for a later day.",
                day=local.date(),
                time=f"{local:%H:%M}",
            ),
            rows=("V01", "V02"),
        )
    ]


def _co2_too_young(events: BatchEvents, windows: Sequence[Window], bench_on: dt.date, settings: Settings) -> list[Note]:
    if not is_co2_before(events, settings) or events.co2_at:
        return []
    co2_on = days_later(bench_on, -whole_days(settings.co2_spacing_hours))
    youngest = max(window.emerged_last_on for window in windows)
    age = queen_age_days(youngest, co2_on)
    emerged_at = youngest_emerged_at(events.emergences, events.zone) if events.emergences else None
    if events.bench_at is not None and emerged_at is not None:
        age = int(elapsed_hours(emerged_at, co2_due_before(events.bench_at, settings).best_at) // HOURS_PER_DAY)
    if age >= settings.co2_first_age_days:
        return []
    return [
        Note(
            key="co2_too_young",
            text=_(
                "On %(day)s, the day of the first CO2, the youngest virgins are %(age)s old; "
                "%(limit)s is the youngest.",
                day=co2_on,
                age=days_said(age),
                limit=settings.co2_first_age_days,
            ),
            help=_("Give the CO2 after the insemination instead."),
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
                text=_(
                    "CO2 treatments lie under %(hours)s apart and count as one.",
                    hours=hours_said(settings.co2_pair_min_hours),
                ),
                help=_("Give another one, %(hours)s later.", hours=hours_said(settings.co2_spacing_hours)),
                rows=("C15", "C17"),
            )
        )
    if co2_too_near(events, settings):
        notes.append(
            Note(
                key="co2_too_near",
                text=_(
                    "The CO2 on record lies under %(hours)s before the bench; with the gas there it counts as one.",
                    hours=hours_said(settings.co2_pair_min_hours),
                ),
                help=_(
                    "Give the other one %(hours)s after the insemination.",
                    hours=hours_said(settings.co2_spacing_hours),
                ),
                rows=("C03", "C15", "C17"),
            )
        )
    if events.doses_at and not record.is_complete:
        notes.append(
            Note(
                key="co2_missing",
                text=_(
                    "%(counted)s of %(wanted)s CO2 treatments are on record.",
                    counted=len(record.counted),
                    wanted=record.wanted,
                ),
                help=_("Give the missing one; late is better than not at all, she only lays later."),
                rows=("C01", "C16"),
            )
        )
    return notes


def _egg_notes(events: BatchEvents, settings: Settings) -> list[Note]:
    first = events.inseminated_at
    inseminated_on = None if first is None else local_day(first, events.zone)
    if events.eggs_seen_on is None:
        return []
    if inseminated_on is not None and events.eggs_seen_on > inseminated_on:
        return _brood_notes(events, inseminated_on, settings)
    return [
        Note(
            key="eggs_before",
            text=_("Eggs were seen on %(day)s, before any insemination.", day=events.eggs_seen_on),
            help=_("She may have mated on the wing, or CO2 started her laying. Do not inseminate before it is clear."),
            rows=("L09", "V10"),
        )
    ]


def _brood_notes(events: BatchEvents, inseminated_on: dt.date, settings: Settings) -> list[Note]:
    """Brood sealed sooner than any egg laid after the insemination could be."""
    sealed_on = events.sealed_brood_on
    if sealed_on is None or sealed_on >= days_later(inseminated_on, settings.sealed_brood_days):
        return []
    return [
        Note(
            key="brood_before",
            text=_(
                "Sealed brood was seen on %(day)s, %(after)s after the insemination; brood of hers is sealed "
                "%(sealed)s after the egg.",
                day=sealed_on,
                after=days_said((sealed_on - inseminated_on).days),
                sealed=days_said(settings.sealed_brood_days),
            ),
            help=_("Look whose brood it is: she may have laid before, or another queen was there."),
            rows=("L09", "L13"),
        )
    ]
