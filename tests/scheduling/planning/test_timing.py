import datetime as dt
from dataclasses import fields, replace
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from scheduling.planning.facts import settings_from
from scheduling.planning.timing import (
    BatchEvents,
    CohortEvents,
    DroneFit,
    Emergence,
    EventError,
    Fit,
    Step,
    backward_plan,
    batch_calendar,
    cohort_calendar,
    cold_delay_hours,
    elapsed_after,
)
from tests.scheduling.planning.calendars import note_keys, step_of

SETTINGS = settings_from({})
GRAFT = dt.date(2026, 5, 20)
BENCH = dt.date(2026, 6, 9)
EMERGED = dt.date(2026, 6, 1)
DOSE = dt.datetime(2026, 6, 9, 9, tzinfo=dt.UTC)

days = st.dates(dt.date(2020, 1, 1), dt.date(2040, 12, 31))
temperatures = st.none() | st.decimals("28", "37", places=1)
hours = st.none() | st.integers(0, 23)


def shifted(step: Step, by: dt.timedelta) -> Step:
    return replace(
        step,
        earliest=step.earliest + by,
        best=step.best + by,
        latest=step.latest + by,
        hard_limit=None if step.hard_limit is None else step.hard_limit + by,
        done_on=None if step.done_on is None else step.done_on + by,
    )


# Order and shift


@given(graft=days, hour=hours, temperature=temperatures, sealed=st.none() | st.integers(0, 9))
def test_days_of_a_batch_are_in_order(
    graft: dt.date, hour: int | None, temperature: Decimal | None, sealed: int | None
) -> None:
    sealed_on = None if sealed is None else graft + dt.timedelta(days=sealed)
    calendar = batch_calendar(
        BatchEvents(grafted_on=graft, grafted_hour=hour, cell_temperature_c=temperature, sealed_on=sealed_on),
        SETTINGS,
    )
    window = calendar.window
    stages = [
        calendar.grafted_on,
        calendar.cage_on,
        calendar.emergence_early_on,
        calendar.emergence_on,
        calendar.emergence_late_on,
    ]
    ages = [
        calendar.emergence_on,
        window.opens_on,
        window.best_from,
        window.best_on,
        window.best_to,
        window.last_on,
        window.last_with_reason_on,
        window.blocked_from,
    ]
    assert stages == sorted(stages)
    assert ages == sorted(ages)
    assert calendar.cage_on < calendar.emergence_early_on
    for step in calendar.steps:
        assert step.earliest <= step.best <= step.latest, step
        assert step.hard_limit is None or step.hard_limit >= step.best, step


@given(graft=days, hour=hours, temperature=temperatures, by=st.integers(-800, 800))
def test_shifting_the_graft_shifts_everything_equally(
    graft: dt.date, hour: int | None, temperature: Decimal | None, by: int
) -> None:
    events = BatchEvents(grafted_on=graft, grafted_hour=hour, cell_temperature_c=temperature)
    delta = dt.timedelta(days=by)

    here = batch_calendar(events, SETTINGS)
    there = batch_calendar(replace(events, grafted_on=graft + delta), SETTINGS)

    assert there.steps == tuple(shifted(step, delta) for step in here.steps)
    assert there.window.opens_on - here.window.opens_on == delta


@given(comb=days, by=st.integers(-800, 800))
def test_shifting_the_comb_shifts_the_cohort_equally(comb: dt.date, by: int) -> None:
    delta = dt.timedelta(days=by)

    here = cohort_calendar(CohortEvents(comb_in_on=comb), SETTINGS)
    there = cohort_calendar(CohortEvents(comb_in_on=comb + delta), SETTINGS)

    dates = [field.name for field in fields(here) if isinstance(getattr(here, field.name), dt.date)]
    assert len(dates) == 14
    assert {getattr(there, name) - getattr(here, name) for name in dates} == {delta}
    assert there.steps == tuple(shifted(step, delta) for step in here.steps)


@given(bench=days)
def test_backward_plan_is_in_order_and_grafting_on_its_day_leads_back_to_the_bench(bench: dt.date) -> None:
    plan = backward_plan(bench, SETTINGS)
    graft = next(step.best for step in plan if step.key == "graft")
    comb = next(step.best for step in plan if step.key == "insert_comb")

    assert [step.best for step in plan] == sorted(step.best for step in plan)
    assert len({step.key for step in plan}) == len(plan)
    assert batch_calendar(BatchEvents(grafted_on=graft), SETTINGS).window.best_on == bench
    assert batch_calendar(BatchEvents(wanted_bench_on=bench), SETTINGS).grafted_on == graft
    assert cohort_calendar(CohortEvents(comb_in_on=comb), SETTINGS).planned_from == bench


@given(comb=days, offset=st.integers(-5, 70))
def test_drones_are_ripe_only_when_all_of_them_are_old_and_young_enough(comb: dt.date, offset: int) -> None:
    calendar = cohort_calendar(CohortEvents(comb_in_on=comb), SETTINGS)
    day = comb + dt.timedelta(days=offset)
    youngest, oldest = calendar.ages_on(day)

    expected = (
        DroneFit.SPENT
        if oldest > 28
        else DroneFit.UNRIPE
        if youngest < 12
        else DroneFit.NEEDS_REASON
        if youngest < 14
        else DroneFit.RIPE
        if oldest <= 21
        else DroneFit.FADING
    )
    assert calendar.fit(day) is expected


# Later observations move what follows


def test_early_sealing_brings_caging_and_alarm_forward() -> None:
    calendar = batch_calendar(BatchEvents(grafted_on=GRAFT, sealed_on=dt.date(2026, 5, 24)), SETTINGS)

    assert calendar.cage_on == dt.date(2026, 5, 29)
    assert calendar.emergence_early_on == dt.date(2026, 5, 30)
    assert calendar.emergence_on == dt.date(2026, 5, 31)


def test_late_sealing_never_delays_caging() -> None:
    calendar = batch_calendar(BatchEvents(grafted_on=GRAFT, sealed_on=dt.date(2026, 5, 26)), SETTINGS)

    assert calendar.cage_on == dt.date(2026, 5, 30)
    assert calendar.emergence_early_on == dt.date(2026, 5, 31)
    assert calendar.emergence_on == dt.date(2026, 6, 2)


@pytest.mark.parametrize("sealed", [27, 29, 31])
def test_sealing_noted_days_later_counts_as_the_last_day_that_can_be_and_is_pointed_out(sealed: int) -> None:
    events = BatchEvents(grafted_on=GRAFT, sealed_on=dt.date(2026, 5, sealed))
    calendar = batch_calendar(events, SETTINGS)

    assert calendar.emergence_on == dt.date(2026, 6, 2)
    assert (calendar.cage_on, calendar.emergence_early_on) == (dt.date(2026, 5, 30), dt.date(2026, 5, 31))
    assert note_keys(events) == ["sealing_odd"]


def test_grafting_hour_decides_on_which_day_a_delay_ends() -> None:
    morning = BatchEvents(grafted_on=GRAFT, grafted_hour=8, cell_temperature_c=Decimal(32))
    night = replace(morning, grafted_hour=22)

    assert batch_calendar(morning, SETTINGS).emergence_on == dt.date(2026, 6, 2)
    assert batch_calendar(night, SETTINGS).emergence_on == dt.date(2026, 6, 3)


def test_a_temperature_no_cell_survives_is_refused_with_its_field() -> None:
    with pytest.raises(ValueError, match="no temperature of living cells"):
        cold_delay_hours(Decimal(345), SETTINGS)
    with pytest.raises(EventError) as refused:
        batch_calendar(BatchEvents(grafted_on=GRAFT, cell_temperature_c=Decimal(345)), SETTINGS)
    assert refused.value.field == "cell_temperature_c"


def test_cells_outside_the_measured_temperatures_get_a_note() -> None:
    assert note_keys(BatchEvents(grafted_on=GRAFT, cell_temperature_c=Decimal(30))) == ["temperature_outside"]


def test_several_emergences_have_a_window_each_and_a_common_one() -> None:
    calendar = batch_calendar(
        BatchEvents(
            grafted_on=GRAFT,
            emergences=(Emergence(dt.date(2026, 6, 3), virgins=4), Emergence(EMERGED, virgins=10)),
        ),
        SETTINGS,
    )

    assert [(window.emerged_first_on, window.virgins) for window in calendar.windows] == [
        (EMERGED, 10),
        (dt.date(2026, 6, 3), 4),
    ]
    assert (calendar.window.opens_on, calendar.window.last_on, calendar.window.virgins) == (
        dt.date(2026, 6, 8),
        dt.date(2026, 6, 13),
        14,
    )


def test_excluder_alarm_goes_by_the_oldest_virgin() -> None:
    events = BatchEvents(grafted_on=GRAFT, emergences=(Emergence(EMERGED), Emergence(dt.date(2026, 6, 3))))
    calendar = batch_calendar(events, SETTINGS)

    assert step_of(calendar, "excluder_alarm").best == dt.date(2026, 6, 5)
    assert step_of(calendar, "excluder_on").hard_limit == dt.date(2026, 6, 5)


def test_virgins_too_far_apart_are_to_be_split() -> None:
    events = BatchEvents(grafted_on=GRAFT, emergences=(Emergence(EMERGED), Emergence(dt.date(2026, 6, 9))))

    assert note_keys(events) == ["scattered"]


def test_each_later_stage_of_a_cohort_overrules_the_one_before() -> None:
    comb = CohortEvents(comb_in_on=dt.date(2026, 4, 27))
    laid = replace(comb, laid_on=dt.date(2026, 4, 29))
    capped = replace(laid, capped_on=dt.date(2026, 5, 10))
    emerged = replace(capped, emerged_on=dt.date(2026, 5, 25))

    first_out = [
        cohort_calendar(events, SETTINGS).emerging_from.isoformat() for events in (comb, laid, capped, emerged)
    ]

    assert first_out == ["2026-05-21", "2026-05-23", "2026-05-24", "2026-05-25"]
    assert cohort_calendar(emerged, SETTINGS).capped_from == dt.date(2026, 5, 10)


def test_a_comb_nobody_knows_of_has_no_calendar() -> None:
    with pytest.raises(EventError) as refused:
        cohort_calendar(CohortEvents(), SETTINGS)
    assert refused.value.field == "promised_comb_on"


def test_a_batch_without_any_day_has_no_calendar() -> None:
    with pytest.raises(EventError) as refused:
        batch_calendar(BatchEvents(), SETTINGS)
    assert refused.value.field == "grafted_on"


@pytest.mark.parametrize(
    ("events", "field"),
    [
        ({"grafted_on": GRAFT, "emergences": (Emergence(EMERGED, hour=-1),)}, "emergences"),
        ({"grafted_on": GRAFT, "grafted_hour": 24}, "grafted_hour"),
        ({"grafted_on": GRAFT, "doses_at": (dt.datetime(2026, 6, 9, 9),)}, "doses_at"),  # noqa: DTZ001
    ],
)
def test_hours_and_moments_that_are_none_are_refused(events: dict[str, object], field: str) -> None:
    with pytest.raises(EventError) as refused:
        BatchEvents(**events)  # type: ignore[arg-type]
    assert refused.value.field == field


# A booked place never moves


@pytest.mark.parametrize(
    ("emerged", "fit", "expected"),
    [
        (dt.date(2026, 6, 5), Fit.TOO_YOUNG, ["too_young", "co2_too_young"]),
        (dt.date(2026, 6, 4), Fit.NORMAL, []),
        (dt.date(2026, 5, 28), Fit.NORMAL, []),
        (dt.date(2026, 5, 27), Fit.NEEDS_REASON, ["needs_reason"]),
        (dt.date(2026, 5, 25), Fit.PAST_IT, ["past_it"]),
    ],
)
def test_place_stays_and_the_calendar_says_what_no_longer_fits(emerged: dt.date, fit: Fit, expected: list[str]) -> None:
    events = BatchEvents(grafted_on=dt.date(2026, 5, 15), emergences=(Emergence(emerged),), bench_on=BENCH)

    calendar = batch_calendar(events, SETTINGS)

    assert step_of(calendar, "bench_time").best == BENCH
    assert calendar.window.fit(BENCH) is fit
    assert [note.key for note in calendar.notes] == expected


def test_a_place_already_used_is_not_complained_about() -> None:
    events = BatchEvents(grafted_on=GRAFT, emergences=(Emergence(dt.date(2026, 6, 6)),), bench_on=BENCH)
    used = replace(events, doses_at=(DOSE,), co2_at=(elapsed_after(DOSE, 24),))

    assert note_keys(events) == ["too_young", "co2_too_young"]
    assert note_keys(used) == []


def test_note_says_ages_and_the_days_that_would_suit() -> None:
    events = BatchEvents(grafted_on=GRAFT, emergences=(Emergence(dt.date(2026, 6, 6)),), bench_on=BENCH)

    note = batch_calendar(events, SETTINGS).notes[0]

    assert str(note.text) == "Virgins of Sat 6 June are 3 days old on Tue 9 June; 5 is the youngest."
    assert str(note.help) == "Any day from Thu 11 June to Thu 18 June would suit them."


def test_caging_after_the_first_virgin_is_said() -> None:
    events = BatchEvents(grafted_on=GRAFT, emergences=(Emergence(EMERGED),), caged_on=dt.date(2026, 6, 2))

    assert note_keys(events) == ["caged_too_late"]


def test_days_are_those_of_the_apiary() -> None:
    late = dt.datetime(2026, 6, 9, 22, 30, tzinfo=dt.UTC)

    calendar = batch_calendar(BatchEvents(grafted_on=GRAFT, zone="Europe/Berlin", bench_at=late), SETTINGS)

    assert step_of(calendar, "bench_time").best == dt.date(2026, 6, 10)
