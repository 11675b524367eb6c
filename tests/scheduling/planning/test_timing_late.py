"""Planned against late, drones called to a day on which they do not fit, and which side the other CO2 is planned on."""

import datetime as dt
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from scheduling.planning.facts import settings_from
from scheduling.planning.timing import (
    BatchEvents,
    Co2Way,
    CohortEvents,
    Emergence,
    Fit,
    batch_calendar,
    batch_late_notes,
    can_still,
    cohort_calendar,
    cohort_late_notes,
    days_later,
    drone_notes,
    elapsed_after,
    late_steps,
)

SETTINGS = settings_from({})
GRAFT = dt.date(2026, 5, 20)
BENCH = dt.date(2026, 6, 9)
EMERGED = dt.date(2026, 6, 1)
DOSE = dt.datetime(2026, 6, 9, 9, tzinfo=dt.UTC)
GRAFTED = BatchEvents(grafted_on=GRAFT)
OUT = replace(GRAFTED, emergences=(Emergence(EMERGED),))
DONE = replace(OUT, excluder_on=EMERGED, doses_at=(DOSE,), bench_on=BENCH)


def late(events: BatchEvents, today: dt.date) -> dict[str, str]:
    notes = batch_late_notes(events, batch_calendar(events, SETTINGS), SETTINGS, today)
    return {note.key: str(note.help) for note in notes}


@pytest.mark.parametrize(
    ("events", "today", "keys"),
    [
        (BatchEvents(wanted_bench_on=BENCH), dt.date(2026, 5, 23), ["late_confine_breeder"]),
        (BatchEvents(wanted_bench_on=BENCH), dt.date(2026, 5, 24), ["late_graft"]),
        (GRAFTED, dt.date(2026, 5, 25), []),
        (GRAFTED, dt.date(2026, 5, 31), ["late_count_started", "late_cells_sealed", "late_cage_cells"]),
        (GRAFTED, dt.date(2026, 6, 3), ["late_report_emergence"]),
        (OUT, dt.date(2026, 6, 5), []),
        (OUT, dt.date(2026, 6, 6), ["late_excluder_alarm"]),
        (replace(OUT, excluder_on=EMERGED), dt.date(2026, 6, 14), ["late_bench_time"]),
        (DONE, dt.date(2026, 6, 11), []),
        (DONE, dt.date(2026, 6, 12), ["late_second_co2"]),
        (replace(DONE, co2_at=(elapsed_after(DOSE, -24),)), dt.date(2026, 6, 19), ["late_egg_check_1"]),
        (replace(DONE, co2_at=(elapsed_after(DOSE, -24),)), dt.date(2026, 6, 30), ["late_egg_check_3"]),
        (replace(DONE, closed_on=dt.date(2026, 7, 1)), dt.date(2026, 8, 1), []),
    ],
)
def test_what_is_late_is_said_once_and_never_what_a_later_record_settled(
    events: BatchEvents, today: dt.date, keys: list[str]
) -> None:
    assert list(late(events, today)) == keys


@given(day=st.integers(-30, 90), step=st.sampled_from(range(5)))
def test_every_late_step_has_a_line_of_what_to_do(day: int, step: int) -> None:
    events = [BatchEvents(wanted_bench_on=BENCH), GRAFTED, OUT, DONE, replace(DONE, eggs_seen_on=BENCH)][step]
    today = days_later(BENCH, day)

    notes = batch_late_notes(events, batch_calendar(events, SETTINGS), SETTINGS, today)

    known = {f"late_{late_step.key}" for late_step in late_steps(batch_calendar(events, SETTINGS).steps, today)}
    assert {note.key for note in notes} - {"co2_missed"} <= known
    assert all(str(note.help) and note.rows for note in notes)


def test_a_late_graft_says_from_which_day_on_a_bench_is_possible() -> None:
    events = BatchEvents(wanted_bench_on=BENCH)
    notes = batch_late_notes(events, batch_calendar(events, SETTINGS), SETTINGS, dt.date(2026, 5, 25))

    assert [(str(note.text), str(note.help)) for note in notes] == [
        (
            "Late: graft. The last day was Sat 23 May, 2 days ago.",
            "From a graft today the first bench day is Thu 11 June, the best Sun 14 June.",
        )
    ]
    assert batch_calendar(BatchEvents(grafted_on=dt.date(2026, 5, 25)), SETTINGS).window.best_on.day == 14


def test_a_first_co2_that_was_missed_is_said_before_the_bench_with_both_ways_out() -> None:
    booked = replace(OUT, excluder_on=EMERGED, bench_at=DOSE, zone="Europe/Berlin")

    assert late(booked, dt.date(2026, 6, 8)) == {}
    assert late(booked, BENCH) == {
        "co2_missed": "Write it down if it was given. Otherwise give it at least 3 hours before the insemination, "
        "or the second one on Wed 10 June instead."
    }
    assert late(replace(booked, co2_at=(elapsed_after(DOSE, -24),)), BENCH) == {}
    assert late(replace(booked, co2_way=Co2Way.AFTER), BENCH) == {}


def test_what_lasts_or_comes_by_itself_is_never_late() -> None:
    calendar = batch_calendar(DONE, SETTINGS)
    cohort = cohort_calendar(CohortEvents(comb_in_on=dt.date(2026, 4, 27)), SETTINGS)
    far = dt.date(2027, 1, 1)

    assert not {"keep_still", "own_progeny"} & {step.key for step in late_steps(calendar.steps, far)}
    assert "drones_ripe" not in {step.key for step in late_steps(cohort.steps, far)}


@pytest.mark.parametrize(
    ("events", "today", "keys"),
    [
        (CohortEvents(promised_comb_on=dt.date(2026, 4, 27)), dt.date(2026, 5, 15), ["late_insert_comb"]),
        (CohortEvents(comb_in_on=dt.date(2026, 4, 27)), dt.date(2026, 5, 1), ["late_look_for_eggs"]),
        (
            CohortEvents(comb_in_on=dt.date(2026, 4, 27), laid_on=dt.date(2026, 4, 28)),
            dt.date(2026, 5, 30),
            ["late_count_capped", "late_mark_drones"],
        ),
        (CohortEvents(comb_in_on=dt.date(2026, 4, 27), ended_on=dt.date(2026, 5, 2)), dt.date(2026, 5, 30), []),
        (CohortEvents(comb_in_on=dt.date(2026, 4, 27)), dt.date(2026, 7, 1), []),
    ],
)
def test_what_is_late_of_a_comb(events: CohortEvents, today: dt.date, keys: list[str]) -> None:
    notes = cohort_late_notes(events, cohort_calendar(events, SETTINGS), SETTINGS, today)

    assert [note.key for note in notes] == keys


def test_a_comb_that_is_late_says_when_its_drones_would_be_ripe() -> None:
    events = CohortEvents(promised_comb_on=dt.date(2026, 4, 27))

    note = cohort_late_notes(events, cohort_calendar(events, SETTINGS), SETTINGS, dt.date(2026, 5, 4))[0]

    assert str(note.help).startswith("Put it in today: its drones are ripe from Sun 14 June instead of Sun 7 June.")
    assert cohort_calendar(CohortEvents(comb_in_on=dt.date(2026, 5, 4)), SETTINGS).ripe_from == dt.date(2026, 6, 14)


# Drones called to a day


def test_drones_that_came_later_than_planned_no_longer_fit_the_day_they_are_called_to() -> None:
    planned = CohortEvents(comb_in_on=dt.date(2026, 4, 27))
    late_laid = replace(planned, laid_on=dt.date(2026, 5, 4))

    assert drone_notes({"Ling 1": cohort_calendar(planned, SETTINGS)}, [BENCH], SETTINGS) == ()
    notes = drone_notes({"Ling 1": cohort_calendar(late_laid, SETTINGS)}, [BENCH, BENCH], SETTINGS)
    assert [(note.key, str(note.text)) for note in notes] == [
        ("drones_unripe", "No drones are ripe on Tue 9 June: Ling 1 is 9 to 12 days old.")
    ]
    assert str(notes[0].help) == (
        "14 to 28 days is the age. Ripe from Sun 14 June on; otherwise another source or stored semen."
    )


@pytest.mark.parametrize(
    ("comb_in_on", "key"),
    [
        (dt.date(2026, 5, 1), "drones_need_reason"),
        (dt.date(2026, 5, 4), "drones_unripe"),
        (dt.date(2026, 4, 10), "drones_spent"),
    ],
)
def test_each_way_of_not_fitting_has_its_key(comb_in_on: dt.date, key: str) -> None:
    calendar = cohort_calendar(CohortEvents(comb_in_on=comb_in_on), SETTINGS)

    assert [note.key for note in drone_notes({"Fell 2": calendar}, [BENCH], SETTINGS)] == [key]


def test_a_source_without_any_comb_says_by_when_one_was_needed() -> None:
    note = drone_notes({}, [BENCH], SETTINGS)[0]

    assert note.key == "no_drones"
    assert "The last comb for that day was Wed 29 April" in str(note.help)


def test_one_ripe_cohort_is_enough() -> None:
    cohorts = {
        "Ling 1": cohort_calendar(CohortEvents(comb_in_on=dt.date(2026, 4, 27)), SETTINGS),
        "Ling 2": cohort_calendar(CohortEvents(comb_in_on=dt.date(2026, 5, 11)), SETTINGS),
    }

    assert drone_notes(cohorts, [BENCH], SETTINGS) == ()


# Which side the other CO2 is planned on


@pytest.mark.parametrize(
    ("way", "steps"),
    [
        (None, {"first_co2"}),
        (Co2Way.BEFORE, {"first_co2"}),
        (Co2Way.AFTER, {"second_co2"}),
        (Co2Way.BOTH, {"first_co2", "second_co2"}),
    ],
)
def test_the_plan_decides_on_which_side_the_other_co2_comes(way: Co2Way | None, steps: set[str]) -> None:
    calendar = batch_calendar(replace(OUT, bench_on=BENCH, co2_way=way), SETTINGS)

    assert {step.key for step in calendar.steps} & {"first_co2", "second_co2"} == steps


def test_virgins_too_young_for_co2_are_said_only_when_it_comes_before() -> None:
    young = replace(GRAFTED, emergences=(Emergence(dt.date(2026, 6, 5)),), bench_on=BENCH)

    def keys(events: BatchEvents) -> set[str]:
        return {note.key for note in batch_calendar(events, SETTINGS).notes}

    assert "co2_too_young" in keys(young)
    assert "co2_too_young" not in keys(replace(young, co2_way=Co2Way.AFTER))


# Can I still?


def test_batches_of_the_right_age_answer_for_the_queens() -> None:
    batches = {"Rowan 1": batch_calendar(OUT, SETTINGS)}
    cohorts = {"Ling 1": cohort_calendar(CohortEvents(comb_in_on=dt.date(2026, 4, 27)), SETTINGS)}

    answer = can_still(dt.date(2026, 6, 2), BENCH, SETTINGS, cohorts, batches)

    assert (answer.suiting, answer.ripe) == (("Rowan 1",), ("Ling 1",))
    assert str(answer.line) == "Queens of the right age that day: Rowan 1. Ripe drones that day: Ling 1."
    assert can_still(dt.date(2026, 6, 2), dt.date(2026, 6, 20), SETTINGS, {}, batches).queen_fits == {
        "Rowan 1": Fit.PAST_IT
    }


@pytest.mark.parametrize(
    ("number", "said"), [(6, "R1, R2, R3, R4, R5, R6."), (7, "R1, R2, R3, R4, R5 and 2 more."), (40, "R5 and 35 more.")]
)
def test_an_answer_names_a_few_and_says_how_many_more(number: int, said: str) -> None:
    batches = {f"R{n}": batch_calendar(OUT, SETTINGS) for n in range(1, number + 1)}
    cohort = cohort_calendar(CohortEvents(comb_in_on=dt.date(2026, 4, 27)), SETTINGS)
    answer = can_still(dt.date(2026, 6, 2), BENCH, SETTINGS, dict.fromkeys(batches, cohort), batches)
    queens, drones = str(answer.line).split(" Ripe drones that day: ")
    assert queens.endswith(said)
    assert drones.endswith(said)
    assert len(answer.suiting) == number


def test_last_days_of_every_step_lead_to_queens_that_are_just_old_enough() -> None:
    answer = can_still(dt.date(2026, 5, 1), BENCH, SETTINGS)
    last = batch_calendar(BatchEvents(grafted_on=answer.deadline("graft").last_on), SETTINGS)

    assert last.window.opens_on == BENCH
    assert answer.deadline("cage_cells").last_on == days_later(last.emergence_early_on, -1)
    alarm = last.step("excluder_alarm")
    assert alarm is not None
    assert answer.deadline("excluder_on").last_on == days_later(alarm.best, -1)
    assert [deadline.key for deadline in answer.deadlines] == [
        "programme_start", "insert_comb", "confine_breeder", "graft", "cage_cells", "excluder_on", "catch_drones",
        "first_co2",
    ]  # fmt: skip
    assert all(d.planned_on <= d.last_on <= d.last_with_reason_on for d in answer.deadlines)
