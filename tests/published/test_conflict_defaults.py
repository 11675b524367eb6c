"""Where published sources disagree: the default that is documented is what the engine really does.

Each test names the two rows of the table of trade facts; their sources stand with the figures (`facts/`). The printed
table is in `docs/timing.md`; it must say what `CONFLICTS` says, row by row.
"""

import datetime as dt
import re
from decimal import Decimal
from pathlib import Path

import pytest

from scheduling.planning.facts import CONFLICTS, FACTS, settings_from
from scheduling.planning.timing import (
    BatchEvents,
    CohortEvents,
    DroneFit,
    Emergence,
    Fit,
    backward_plan,
    batch_calendar,
    bench_day_steps,
    cohort_calendar,
    days_later,
    elapsed_after,
    elapsed_hours,
)

DEFAULTS = settings_from({})
PAGE = Path(__file__).resolve().parents[2] / "docs" / "timing.md"
EMERGED, GRAFT = dt.date(2026, 6, 1), dt.date(2026, 5, 20)
BENCH_AT = dt.datetime(2026, 6, 9, 9, tzinfo=dt.UTC)
OUT = BatchEvents(grafted_on=GRAFT, emergences=(Emergence(EMERGED),))


def printed() -> list[tuple[str, ...]]:
    section = PAGE.read_text(encoding="utf-8").split("## Where sources disagree", 1)[1].split("\n## ", 1)[0]
    rows = [line for line in section.splitlines() if line.startswith("|")][2:]
    return [tuple(cell.strip() for cell in line.strip("|").split("|")) for line in rows]


def test_the_page_prints_every_conflict_as_the_engine_has_it() -> None:
    assert printed() == [
        (
            *(str(words) for words in (row.topic, row.one, row.other, row.default)),
            " ".join(row.rows),
            ", ".join(f"`{key}`" for key in row.settings),
        )
        for row in CONFLICTS
    ]


def test_queen_age_window_is_5_to_12_and_13_and_14_with_a_reason() -> None:
    """V02 against V03."""
    window = batch_calendar(OUT, DEFAULTS).window
    ages = {age: window.fit(days_later(EMERGED, age)) for age in range(20)}

    assert [age for age, fit in ages.items() if fit is Fit.NORMAL] == list(range(5, 13))
    assert [age for age, fit in ages.items() if fit is Fit.NEEDS_REASON] == [13, 14]


def test_best_queen_age_is_planned_at_8_and_runs_from_6_to_10() -> None:
    """C18 against V04."""
    window = batch_calendar(OUT, DEFAULTS).window

    assert [(day - EMERGED).days for day in (window.best_from, window.best_on, window.best_to)] == [6, 8, 10]


def test_first_co2_is_planned_24_hours_before_and_after_is_taken_as_well() -> None:
    """C02 against C03."""
    planned = batch_calendar(BatchEvents(grafted_on=GRAFT, bench_at=BENCH_AT), DEFAULTS)
    done = BatchEvents(grafted_on=GRAFT, doses_at=(BENCH_AT,), co2_at=(elapsed_after(BENCH_AT, 24),))
    first = planned.step("first_co2")

    assert first is not None
    assert first.best_at is not None
    assert elapsed_hours(first.best_at, BENCH_AT) == 24
    assert planned.step("second_co2") is None
    assert batch_calendar(done, DEFAULTS).notes == ()


def test_a_third_co2_is_offered_on_day_14_only_if_fewer_than_two_are_on_record() -> None:
    """C23 against C07."""
    alone = batch_calendar(BatchEvents(grafted_on=GRAFT, doses_at=(BENCH_AT,)), DEFAULTS).step("third_co2")
    two = BatchEvents(grafted_on=GRAFT, doses_at=(BENCH_AT,), co2_at=(elapsed_after(BENCH_AT, -24),))

    assert alone is not None
    assert alone.best == dt.date(2026, 6, 23)
    assert batch_calendar(two, DEFAULTS).step("third_co2") is None


def test_eggs_are_looked_for_after_7_10_and_14_days() -> None:
    """L01 and L02 against L03."""
    steps = bench_day_steps(BENCH_AT, elapsed_after(BENCH_AT, 5), "Europe/Berlin", DEFAULTS)

    assert [(step.best - dt.date(2026, 6, 9)).days for step in steps if step.key.startswith("egg_check")] == [7, 10, 14]


@pytest.mark.parametrize(("age", "fit"), [(11, "unripe"), (12, "needs_reason"), (13, "needs_reason"), (14, "ripe")])
def test_drones_are_mature_at_14_days_and_from_12_with_a_reason(age: int, fit: str) -> None:
    """R06 and R08 against R07; drones of one day's laying."""
    one_day = settings_from({"comb_lag_days": Decimal(0)})
    calendar = cohort_calendar(CohortEvents(emerged_on=EMERGED), one_day)

    assert calendar.fit(days_later(EMERGED, age)) == fit


@pytest.mark.parametrize(("age", "fit"), [(21, "ripe"), (22, "fading"), (28, "fading"), (29, "spent")])
def test_drones_are_preferred_to_21_and_blocked_above_28(age: int, fit: str) -> None:
    """R10 against R11 and R13."""
    calendar = cohort_calendar(CohortEvents(emerged_on=EMERGED), DEFAULTS)

    assert calendar.fit(days_later(EMERGED, age)) is DroneFit(fit)


def test_drone_comb_goes_in_43_days_before_and_the_programme_starts_60_days_before() -> None:
    """R04 and R05 against R28."""
    offsets = {step.key: step.day for step in backward_plan(dt.date(2026, 6, 9), DEFAULTS)}

    assert (offsets["insert_comb"], offsets["programme_start"]) == (-43, -60)


def test_virgins_do_not_fly_excluder_from_emergence_and_alarm_before_flights_begin() -> None:
    """V14 against the trial of 2012 (S17)."""
    calendar = batch_calendar(OUT, DEFAULTS)
    excluder, alarm = calendar.step("excluder_on"), calendar.step("excluder_alarm")

    assert excluder is not None
    assert alarm is not None
    assert ((excluder.best - EMERGED).days, (alarm.best - EMERGED).days) == (0, 4)


# Every row of the trade facts that is this project's own choice, or a gap, and the settings that hold it.
PROJECT_DEFAULTS = {
    "V04": ("virgin_age_planned_days",),
    "V05": ("virgin_age_reason_last_days",),
    "V08": ("excluder_alarm_age_days",),
    "V16": ("virgin_give_up_age_days",),
    "L10": ("nuc_shut_days", "egg_check_1_days", "egg_check_2_days", "egg_check_3_days"),
    "L12": ("give_up_days", "give_up_last_days"),
    "L13": ("sealed_brood_days",),
    "R02": ("drone_sealed_days",),
    "R14": (
        "drone_age_first_days",
        "drone_age_planned_days",
        "drone_age_preferred_last_days",
        "drone_age_last_days",
    ),
    "R30": ("comb_lag_days",),
    "R31": ("drone_holding_days",),
    "N11": ("semen_normal_days", "semen_limit_days"),
    "G11": ("viability_warn_share",),
}
GAPS = {
    "C22": ("co2_flow_ml_min",),
    "R26": ("drone_soiled_share",),
    "R27": ("drone_daily_survival", "drone_recapture_share"),
    "O01": ("operator_queens_per_hour",),
    "O02": ("operator_drones_per_hour",),
    "G13": ("drone_colonies_per_queen",),
}


@pytest.mark.parametrize("row", [*PROJECT_DEFAULTS, *GAPS])
def test_every_choice_of_the_project_and_every_gap_is_a_setting_with_bounds_and_source(row: str) -> None:
    for key in (PROJECT_DEFAULTS | GAPS)[row]:
        fact = FACTS[key]
        assert row in fact.rows, key
        assert fact.low < fact.high, key
        assert fact.source, key
        assert str(fact.why), key
        assert (fact.default is None) == (row in GAPS), key


def test_the_timing_engine_has_no_days_or_hours_of_its_own() -> None:
    """Every figure in days or hours comes from the settings; what is left in the code is counted and named here."""
    allowed = {
        ("clock.py", "SECONDS_PER_HOUR = 3600"),
        ("clock.py", "NOON = 12"),  # where a wall clock is looked at for its rules of the day
        ("ladder.py", "MINUTES_PER_HOUR = 60"),
        ("days.py", "HOURS_PER_DAY = 24"),
        ("cells.py", "_HOUR_WHEN_UNKNOWN = 12"),  # noon of a graft without an hour, for rounding
        ("states.py", "COMING_READY_DAYS = 2"),  # a choice of display
        ("still.py", "NAMED = 5"),  # names before "and n more"
    }
    folder = Path(__file__).resolve().parents[2] / "scheduling" / "planning" / "timing"
    constant = re.compile(r"^(_?[A-Z][A-Z_]+ = \d+)", re.MULTILINE)
    found = {(path.name, name) for path in folder.glob("*.py") for name in constant.findall(path.read_text("utf-8"))}

    assert found == allowed
