import datetime as dt
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from scheduling.planning.facts import settings_from
from scheduling.planning.timing import (
    BatchEvents,
    Chance,
    CohortEvents,
    DroneFit,
    batch_calendar,
    bench_day_steps,
    can_still,
    cohort_calendar,
    elapsed_after,
    late_steps,
    steps_moved,
)

SETTINGS = settings_from({})
GRAFT = dt.date(2026, 5, 20)
BENCH = dt.date(2026, 6, 9)
DOSE = dt.datetime(2026, 6, 9, 9, tzinfo=dt.UTC)

days = st.dates(dt.date(2020, 1, 1), dt.date(2040, 12, 31))


def test_bench_day_names_its_work_in_order_and_refuses_an_end_before_the_start() -> None:
    steps = bench_day_steps(DOSE, elapsed_after(DOSE, 5), "Europe/Berlin", SETTINGS)

    assert [step.key for step in steps] == [
        "confirm_queens", "first_co2", "catch_drones", "sterilise", "collect_semen", "bench_time",
        "return_queens", "close_session", "second_co2", "keep_still", "egg_check_1", "egg_check_2", "egg_check_3",
    ]  # fmt: skip
    assert all(step.earliest <= step.best <= step.latest for step in steps)
    with pytest.raises(ValueError, match="ends before it starts"):
        bench_day_steps(DOSE, DOSE, "Europe/Berlin", SETTINGS)


@pytest.mark.parametrize(
    ("today", "queens", "drones"),
    [
        (dt.date(2026, 4, 27), Chance.IN_TIME, Chance.IN_TIME),
        (dt.date(2026, 4, 29), Chance.IN_TIME, Chance.LATE),
        (dt.date(2026, 5, 1), Chance.IN_TIME, Chance.NEEDS_REASON),
        (dt.date(2026, 5, 2), Chance.IN_TIME, Chance.TOO_LATE),
        (dt.date(2026, 5, 20), Chance.IN_TIME, Chance.TOO_LATE),
        (dt.date(2026, 5, 23), Chance.LATE, Chance.TOO_LATE),
        (dt.date(2026, 5, 24), Chance.TOO_LATE, Chance.TOO_LATE),
    ],
)
def test_whether_one_can_still_begin(today: dt.date, queens: Chance, drones: Chance) -> None:
    answer = can_still(today, BENCH, SETTINGS)

    assert (answer.queens, answer.drones) == (queens, drones)


@given(today=days, ahead=st.integers(0, 80))
def test_a_graft_or_comb_within_its_deadline_really_serves(today: dt.date, ahead: int) -> None:
    bench = today + dt.timedelta(days=ahead)
    answer = can_still(today, bench, SETTINGS)

    graft_fits = batch_calendar(BatchEvents(grafted_on=today), SETTINGS).window.opens_on <= bench
    comb_fits = cohort_calendar(CohortEvents(comb_in_on=today), SETTINGS).ripe_from <= bench

    assert (answer.queens is not Chance.TOO_LATE) == graft_fits
    assert (answer.drones in (Chance.IN_TIME, Chance.LATE)) == comb_fits
    assert batch_calendar(BatchEvents(grafted_on=today), SETTINGS).window.opens_on == answer.first_day_from_graft
    assert cohort_calendar(CohortEvents(comb_in_on=today), SETTINGS).ripe_from == answer.first_day_from_comb


def test_sources_that_can_still_be_ripe_are_named() -> None:
    cohorts = {
        "Ling 1": cohort_calendar(CohortEvents(comb_in_on=dt.date(2026, 4, 27)), SETTINGS),
        "Fell 2": cohort_calendar(CohortEvents(comb_in_on=dt.date(2026, 5, 4)), SETTINGS),
    }

    answer = can_still(dt.date(2026, 5, 10), BENCH, SETTINGS, cohorts)

    assert answer.fits == {"Ling 1": DroneFit.RIPE, "Fell 2": DroneFit.UNRIPE}
    assert answer.ripe == ("Ling 1",)
    assert str(answer.line) == ("Graft on Wed 20 May, by Sat 23 May at the latest. Ripe drones that day: Ling 1.")


def test_without_ripe_drones_the_line_says_what_is_left() -> None:
    assert str(can_still(dt.date(2026, 5, 2), BENCH, SETTINGS).line) == (
        "Too late for new drones: the last comb for Tue 9 June was Fri 1 May. Use stored semen or another source; "
        "from a comb today the first day is Fri 12 June. Graft on Wed 20 May, by Sat 23 May at the latest."
    )


def test_a_changed_figure_shows_what_it_moves() -> None:
    older = settings_from({"virgin_age_planned_days": Decimal(9)})
    events = BatchEvents(grafted_on=GRAFT)

    moved = steps_moved(batch_calendar(events, SETTINGS).steps, batch_calendar(events, older).steps)

    days_moved = {change.key: change.days for change in moved}
    assert days_moved["bench_time"] == days_moved["first_co2"] == days_moved["egg_check_1"] == 1
    assert "cage_cells" not in days_moved
    assert steps_moved(batch_calendar(events, SETTINGS).steps, batch_calendar(events, SETTINGS).steps) == ()


def test_a_step_that_falls_away_is_shown_too() -> None:
    after = settings_from({"co2_first_before": Decimal(0)})
    events = BatchEvents(grafted_on=GRAFT)

    moved = steps_moved(batch_calendar(events, SETTINGS).steps, batch_calendar(events, after).steps)

    assert {change.key: (change.before is None, change.after is None) for change in moved} == {
        "second_co2": (True, False),
        "first_co2": (False, True),
    }


def test_late_steps_are_those_past_their_last_day_and_not_recorded() -> None:
    events = BatchEvents(grafted_on=GRAFT, counted_on=dt.date(2026, 5, 21), cells_started=20)
    calendar = batch_calendar(events, SETTINGS)

    assert [step.key for step in late_steps(calendar.steps, dt.date(2026, 5, 31))] == ["cells_sealed", "cage_cells"]
