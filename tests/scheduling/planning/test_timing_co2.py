"""CO2, doses, eggs: what happens at the bench and after it."""

import datetime as dt
from dataclasses import replace
from decimal import Decimal

import pytest

from scheduling.planning.facts import settings_from
from scheduling.planning.timing import BatchEvents, Emergence, batch_calendar, elapsed_after
from tests.scheduling.planning.calendars import note_keys, step_of

SETTINGS = settings_from({})
GRAFT = dt.date(2026, 5, 20)
BENCH = dt.date(2026, 6, 9)
EMERGED = dt.date(2026, 6, 1)
DOSE = dt.datetime(2026, 6, 9, 9, tzinfo=dt.UTC)


# The first CO2 before a booked place


@pytest.mark.parametrize("hours", ["0.1", "1", "2.9"])
def test_co2_shortly_before_the_booked_bench_is_not_the_first_of_a_pair(hours: str) -> None:
    events = BatchEvents(grafted_on=GRAFT, bench_at=DOSE, co2_at=(elapsed_after(DOSE, -Decimal(hours)),))
    calendar = batch_calendar(events, SETTINGS)

    assert [note.key for note in calendar.notes] == ["co2_too_near"]
    assert calendar.step("first_co2") is None
    assert step_of(calendar, "second_co2").done_on is None
    assert step_of(calendar, "second_co2").best_at == elapsed_after(DOSE, 24)


@pytest.mark.parametrize("hours", ["3", "24", "47"])
def test_co2_far_enough_before_the_booked_bench_is_the_first_of_a_pair(hours: str) -> None:
    events = BatchEvents(grafted_on=GRAFT, bench_at=DOSE, co2_at=(elapsed_after(DOSE, -Decimal(hours)),))
    calendar = batch_calendar(events, SETTINGS)

    assert calendar.notes == ()
    assert step_of(calendar, "first_co2").is_done
    assert calendar.step("second_co2") is None


def test_co2_shortly_before_the_bench_beside_one_in_time_changes_nothing() -> None:
    both = (elapsed_after(DOSE, -24), elapsed_after(DOSE, -1))
    calendar = batch_calendar(BatchEvents(grafted_on=GRAFT, bench_at=DOSE, co2_at=both), SETTINGS)

    assert calendar.notes == ()
    assert step_of(calendar, "first_co2").done_on == dt.date(2026, 6, 8)


def test_moving_the_place_makes_the_same_treatment_the_first_again() -> None:
    events = BatchEvents(grafted_on=GRAFT, bench_at=DOSE, co2_at=(elapsed_after(DOSE, -1),))
    moved = batch_calendar(replace(events, bench_at=elapsed_after(DOSE, 24)), SETTINGS)

    assert moved.notes == ()
    assert step_of(moved, "first_co2").done_on == BENCH


def test_of_a_place_without_an_hour_only_the_days_before_are_apart() -> None:
    day_before = BatchEvents(grafted_on=GRAFT, bench_on=BENCH, co2_at=(dt.datetime(2026, 6, 8, 9, tzinfo=dt.UTC),))
    same_day = replace(day_before, co2_at=(DOSE,))

    assert step_of(batch_calendar(day_before, SETTINGS), "first_co2").done_on == dt.date(2026, 6, 8)
    assert note_keys(same_day) == ["co2_too_near"]


# Records


def test_first_co2_of_a_timed_place_is_a_moment_and_of_a_day_a_day() -> None:
    timed = batch_calendar(BatchEvents(grafted_on=GRAFT, zone="Europe/Berlin", bench_at=DOSE), SETTINGS)
    dated = batch_calendar(BatchEvents(grafted_on=GRAFT, bench_on=BENCH), SETTINGS)

    assert step_of(timed, "first_co2").best_at == dt.datetime(2026, 6, 8, 9, tzinfo=dt.UTC)
    assert step_of(timed, "first_co2").best == step_of(dated, "first_co2").best == dt.date(2026, 6, 8)
    assert step_of(dated, "first_co2").best_at is None


def test_missing_co2_is_said_and_gas_on_the_hook_is_one_treatment() -> None:
    on_hook = BatchEvents(grafted_on=GRAFT, co2_at=(elapsed_after(DOSE, Decimal("0.05")),), doses_at=(DOSE,))
    calendar = batch_calendar(on_hook, SETTINGS)

    assert [note.key for note in calendar.notes] == ["co2_missing"]
    assert calendar.step("first_co2") is None
    assert step_of(calendar, "second_co2").done_on is None


def test_two_treatments_too_close_are_said() -> None:
    events = BatchEvents(grafted_on=GRAFT, co2_at=(DOSE, elapsed_after(DOSE, 1)))

    assert note_keys(events) == ["co2_too_close"]


def test_after_first_planned_plan_gives_the_second_co2_instead_of_the_first() -> None:
    after = settings_from({"co2_first_before": Decimal(0)})

    calendar = batch_calendar(BatchEvents(grafted_on=GRAFT, bench_on=BENCH), after)

    assert calendar.step("first_co2") is None
    assert step_of(calendar, "second_co2").best == dt.date(2026, 6, 10)


def test_split_dose_is_48_elapsed_hours_later() -> None:
    events = BatchEvents(grafted_on=GRAFT, is_split_dose=True, doses_at=(DOSE,))
    done = replace(events, doses_at=(DOSE, elapsed_after(DOSE, 48)))

    assert step_of(batch_calendar(events, SETTINGS), "second_dose").best_at == elapsed_after(DOSE, 48)
    assert step_of(batch_calendar(done, SETTINGS), "second_dose").done_on == dt.date(2026, 6, 11)
    assert batch_calendar(done, SETTINGS).notes == ()


def test_eggs_before_any_insemination_raise_a_suspicion() -> None:
    events = BatchEvents(grafted_on=GRAFT, emergences=(Emergence(EMERGED),), eggs_seen_on=dt.date(2026, 6, 8))

    assert note_keys(events) == ["eggs_before"]
    assert note_keys(replace(events, doses_at=(DOSE,), co2_at=(elapsed_after(DOSE, 24),))) == ["eggs_before"]


def test_eggs_before_the_insemination_settle_nothing_after_it() -> None:
    before = BatchEvents(
        grafted_on=GRAFT, emergences=(Emergence(EMERGED),), eggs_seen_on=dt.date(2026, 6, 8), doses_at=(DOSE,)
    )
    none = replace(before, eggs_seen_on=None)
    keys = ("egg_check_1", "egg_check_3", "third_co2", "excluder_off", "sealed_brood", "own_progeny")
    for key in keys:
        assert step_of(batch_calendar(before, SETTINGS), key) == step_of(batch_calendar(none, SETTINGS), key)
    assert step_of(batch_calendar(before, SETTINGS), "egg_check_1").done_on is None
    # The same day neither: no queen lays on the day she was inseminated. Two days later she may.
    same_day = replace(before, eggs_seen_on=dt.date(2026, 6, 9))
    assert step_of(batch_calendar(same_day, SETTINGS), "egg_check_1").done_on is None
    laying = replace(before, eggs_seen_on=dt.date(2026, 6, 11))
    assert step_of(batch_calendar(laying, SETTINGS), "egg_check_1").done_on == dt.date(2026, 6, 11)


def test_a_dose_that_tops_the_first_up_is_not_the_second() -> None:
    events = BatchEvents(grafted_on=GRAFT, is_split_dose=True, doses_at=(DOSE, DOSE + dt.timedelta(minutes=20)))
    assert step_of(batch_calendar(events, SETTINGS), "second_dose").done_on is None
    early = replace(events, doses_at=(*events.doses_at, elapsed_after(DOSE, 30)))
    assert step_of(batch_calendar(early, SETTINGS), "second_dose").done_on == dt.date(2026, 6, 10)


def test_checks_follow_the_real_insemination_not_the_place() -> None:
    events = BatchEvents(grafted_on=GRAFT, bench_on=BENCH, doses_at=(dt.datetime(2026, 6, 11, 9, tzinfo=dt.UTC),))
    calendar = batch_calendar(events, SETTINGS)

    assert [step_of(calendar, f"egg_check_{number}").best.day for number in (1, 2, 3)] == [18, 21, 25]
