"""A later observation never makes what depends on it earlier: batches, single queens, cohorts."""

import datetime as dt
from dataclasses import fields, replace
from decimal import Decimal

from hypothesis import given
from hypothesis import strategies as st

from scheduling.planning.facts import settings_from
from scheduling.planning.timing import (
    BatchCalendar,
    BatchEvents,
    CohortCalendar,
    CohortEvents,
    Emergence,
    Step,
    Window,
    batch_calendar,
    cohort_calendar,
    days_later,
    elapsed_after,
    local_day,
)

SETTINGS = settings_from({})
ZONE = "Europe/Berlin"
GRAFT = dt.date(2026, 5, 20)
When = dict[str, dt.date | dt.datetime]

later_by = st.integers(0, 12)
maybe = st.none() | st.integers(-3, 40)  # days from the graft, impossible ones among them


def days_of(name: str, thing: Step | Window | BatchCalendar | CohortCalendar) -> When:
    values = {f"{name} {field.name}": getattr(thing, field.name) for field in fields(thing) if field.name != "done_on"}
    return {key: value for key, value in values.items() if isinstance(value, dt.date)}


def all_days(calendar: BatchCalendar | CohortCalendar) -> When:
    found = days_of("calendar", calendar)
    if isinstance(calendar, BatchCalendar):
        found |= days_of("window", calendar.window)
        for number, window in enumerate(calendar.windows):
            found |= days_of(f"window {number}", window)
    for step in calendar.steps:
        found |= days_of(step.key, step)
    return found


def assert_not_earlier(before: BatchCalendar | CohortCalendar, after: BatchCalendar | CohortCalendar) -> None:
    """Steps that are asked for on both sides: none of their days, moments and limits may have come forward."""
    old, new = all_days(before), all_days(after)
    assert len(old.keys() & new.keys()) > 20
    came_forward = {
        key: (str(old[key]), str(new[key]))
        for key in old.keys() & new.keys()
        if type(old[key]) is type(new[key]) and new[key] < old[key]
    }
    assert came_forward == {}


def day(offset: int | None, by: int = 0) -> dt.date | None:
    return None if offset is None else days_later(GRAFT, offset + by)


@st.composite
def batches(draw: st.DrawFn) -> BatchEvents:
    """Anything that can stand on record of the cells of a batch, up to a booked place."""
    return BatchEvents(
        zone=ZONE,
        grafted_on=GRAFT,
        grafted_hour=draw(st.none() | st.integers(0, 22)),
        sealed_on=day(draw(maybe)),
        cell_temperature_c=draw(st.none() | st.decimals("31", "36", places=1)),
        caged_on=day(draw(maybe)),
        emergences=tuple(
            Emergence(days_later(GRAFT, offset), hour=hour)
            for offset, hour in draw(
                st.lists(st.tuples(st.integers(9, 20), st.none() | st.integers(0, 22)), max_size=2)
            )
        ),
        bench_at=draw(
            st.none() | st.integers(10, 40).map(lambda d: dt.datetime.combine(days_later(GRAFT, d), dt.time(9), dt.UTC))
        ),
        is_split_dose=draw(st.booleans()),
    )


@given(events=batches(), by=later_by)
def test_a_later_graft(events: BatchEvents, by: int) -> None:
    later = replace(events, grafted_on=days_later(GRAFT, by))
    assert_not_earlier(batch_calendar(events, SETTINGS), batch_calendar(later, SETTINGS))


@given(events=batches(), hour=st.integers(0, 23), by=st.integers(0, 23))
def test_a_later_hour_of_the_graft(events: BatchEvents, hour: int, by: int) -> None:
    early, late = (replace(events, grafted_hour=value) for value in (hour, min(hour + by, 23)))
    assert_not_earlier(batch_calendar(early, SETTINGS), batch_calendar(late, SETTINGS))


@given(events=batches(), sealed=st.integers(-5, 20), by=later_by)
def test_a_later_sealing(events: BatchEvents, sealed: int, by: int) -> None:
    early, late = (replace(events, sealed_on=day(sealed, shift)) for shift in (0, by))
    assert_not_earlier(batch_calendar(early, SETTINGS), batch_calendar(late, SETTINGS))


@given(events=batches(), warm=st.decimals("31", "36", places=1), cooler=st.decimals("0", "3", places=1))
def test_cooler_cells(events: BatchEvents, warm: Decimal, cooler: Decimal) -> None:
    early, late = (replace(events, cell_temperature_c=value) for value in (warm, warm - cooler))
    assert_not_earlier(batch_calendar(early, SETTINGS), batch_calendar(late, SETTINGS))


@given(
    events=batches(),
    first=st.integers(9, 20),
    second=st.integers(9, 20),
    by=later_by,
    moved=st.sampled_from([(1, 0), (0, 1), (1, 1)]),
)
def test_a_later_emergence(events: BatchEvents, first: int, second: int, by: int, moved: tuple[int, int]) -> None:
    """Either of two days of emergence, or both; the common window never opens or closes earlier for it."""
    early, late = (
        replace(
            events,
            emergences=tuple(
                Emergence(days_later(GRAFT, offset + shift * is_moved))
                for offset, is_moved in zip((first, second), moved, strict=True)
            ),
        )
        for shift in (0, by)
    )
    assert_not_earlier(batch_calendar(early, SETTINGS), batch_calendar(late, SETTINGS))


@given(events=batches(), emerged=st.integers(9, 20), hour=st.integers(0, 23), by=st.integers(0, 23))
def test_a_later_hour_of_emergence(events: BatchEvents, emerged: int, hour: int, by: int) -> None:
    early, late = (
        replace(events, emergences=(Emergence(days_later(GRAFT, emerged), hour=value),))
        for value in (hour, min(hour + by, 23))
    )
    assert_not_earlier(batch_calendar(early, SETTINGS), batch_calendar(late, SETTINGS))


@given(events=batches(), bench=st.integers(10, 40), by=later_by)
def test_a_later_place(events: BatchEvents, bench: int, by: int) -> None:
    early, late = (
        replace(events, bench_at=dt.datetime.combine(days_later(GRAFT, bench + shift), dt.time(9), dt.UTC))
        for shift in (0, by)
    )
    assert_not_earlier(batch_calendar(early, SETTINGS), batch_calendar(late, SETTINGS))


# Single queens, at the bench and after


@st.composite
def queens(draw: st.DrawFn) -> BatchEvents:
    """One queen who has been inseminated, with or without gas before and after it."""
    dosed = dt.datetime(2026, 6, 9, draw(st.integers(0, 23)), tzinfo=dt.UTC)
    gas = draw(st.lists(st.integers(-60, 400), max_size=3))
    return BatchEvents(
        zone=ZONE,
        grafted_on=GRAFT,
        emergences=(Emergence(dt.date(2026, 6, 1)),),
        co2_at=tuple(sorted(elapsed_after(dosed, hours) for hours in gas)),
        doses_at=(dosed,),
        is_split_dose=draw(st.booleans()),
    )


@given(queen=queens(), hours=st.integers(0, 200))
def test_a_later_insemination(queen: BatchEvents, hours: int) -> None:
    later = replace(queen, doses_at=(elapsed_after(queen.doses_at[0], hours),))
    assert_not_earlier(batch_calendar(queen, SETTINGS), batch_calendar(later, SETTINGS))


@given(queen=queens(), emerged=st.integers(0, 8), by=st.integers(0, 8))
def test_a_later_emergence_of_hers(queen: BatchEvents, emerged: int, by: int) -> None:
    early, late = (
        replace(queen, emergences=(Emergence(days_later(dt.date(2026, 5, 28), offset)),))
        for offset in (emerged, emerged + by)
    )
    assert_not_earlier(batch_calendar(early, SETTINGS), batch_calendar(late, SETTINGS))


@given(queen=queens(), eggs=st.integers(1, 20), by=later_by, brood=st.none() | st.integers(1, 30))
def test_later_eggs(queen: BatchEvents, eggs: int, by: int, brood: int | None) -> None:
    """Eggs after the insemination; those of that day or before are not hers and settle nothing."""
    day0 = local_day(queen.doses_at[0], ZONE)
    early, late = (
        replace(
            queen,
            eggs_seen_on=days_later(day0, offset),
            sealed_brood_on=None if brood is None else days_later(day0, brood),
        )
        for offset in (eggs, eggs + by)
    )
    assert_not_earlier(batch_calendar(early, SETTINGS), batch_calendar(late, SETTINGS))


@given(queen=queens(), hours=st.integers(3, 300), by=st.integers(0, 200))
def test_a_later_second_co2(queen: BatchEvents, hours: int, by: int) -> None:
    early, late = (replace(queen, co2_at=(elapsed_after(queen.doses_at[0], value),)) for value in (hours, hours + by))
    assert_not_earlier(batch_calendar(early, SETTINGS), batch_calendar(late, SETTINGS))


# Cohorts


COHORT_STAGES = ("promised_comb_on", "comb_in_on", "laid_on", "capped_on", "emerged_on")


@given(
    days=st.fixed_dictionaries(dict.fromkeys(COHORT_STAGES, maybe)),
    stage=st.sampled_from(COHORT_STAGES),
    at=st.integers(-3, 40),
    by=later_by,
)
def test_a_later_stage_of_a_cohort(days: dict[str, int | None], stage: str, at: int, by: int) -> None:
    events = CohortEvents(**{name: day(offset) for name, offset in days.items()})  # type: ignore[arg-type]
    early, late = (replace(events, **{stage: day(at, shift)}) for shift in (0, by))  # type: ignore[arg-type]
    assert_not_earlier(cohort_calendar(early, SETTINGS), cohort_calendar(late, SETTINGS))


@given(days=st.fixed_dictionaries(dict.fromkeys(COHORT_STAGES, maybe)), counted=st.integers(0, 60), by=later_by)
def test_a_later_count_moves_no_date_of_a_cohort(days: dict[str, int | None], counted: int, by: int) -> None:
    stages = {name: day(offset) for name, offset in days.items()} | {"comb_in_on": GRAFT}
    events = CohortEvents(**stages)  # type: ignore[arg-type]
    early, late = (
        replace(events, capped_counted_on=day(counted, shift), last_counted_on=day(counted, shift)) for shift in (0, by)
    )
    assert all_days(cohort_calendar(early, SETTINGS)) == all_days(cohort_calendar(late, SETTINGS))
