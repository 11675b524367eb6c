"""Dates of the season against worked examples.

The examples are sums from the figures of the trade named by row (R = drones, Q = queens, V = virgins, C = CO2,
L = laying), most of them from the standard methods for rearing and selection of queens (J. Apic. Res. 52(1) 2013,
doi:10.3896/IBRA.1.52.1.07) and for instrumental insemination (J. Apic. Res. 52(4) 2013,
doi:10.3896/IBRA.1.52.4.09). Weekdays are checked because a slip of a day shows in them first.
"""

import datetime as dt
from decimal import Decimal

import pytest

from scheduling.planning.facts import settings_from
from scheduling.planning.timing import (
    BatchEvents,
    CohortEvents,
    DroneFit,
    Emergence,
    Fit,
    backward_plan,
    batch_calendar,
    cohort_calendar,
    cold_delay_hours,
    queen_age_days,
)

SETTINGS = settings_from({})
A, B = dt.date(2026, 6, 9), dt.date(2028, 3, 20)  # B: the graft falls on 29 February

# day, step, rows of the facts, date in A, date in B
BACKWARD = [
    (-60, "programme_start", "R28", "Fri 2026-04-10", "Thu 2028-01-20"),
    (-52, "earliest_comb", "R14", "Sat 2026-04-18", "Fri 2028-01-28"),
    (-43, "insert_comb", "R01 R14 R30", "Mon 2026-04-27", "Sun 2028-02-06"),
    (-41, "latest_comb", "R07 R30", "Wed 2026-04-29", "Tue 2028-02-08"),
    (-39, "emergency_comb", "R06 R30", "Fri 2026-05-01", "Thu 2028-02-10"),
    (-30, "count_capped", "R02", "Sun 2026-05-10", "Sat 2028-02-19"),
    (-24, "confine_breeder", "Q12 Q13", "Sat 2026-05-16", "Fri 2028-02-25"),
    (-20, "graft", "Q10", "Wed 2026-05-20", "Tue 2028-02-29"),
    (-19, "count_started", "Q18", "Thu 2026-05-21", "Wed 2028-03-01"),
    (-19, "mark_drones", "R01", "Thu 2026-05-21", "Wed 2028-03-01"),
    (-15, "cells_sealed", "Q04", "Mon 2026-05-25", "Sun 2028-03-05"),
    (-10, "cage_cells", "Q21", "Sat 2026-05-30", "Fri 2028-03-10"),
    (-9, "emergence_alarm", "Q09", "Sun 2026-05-31", "Sat 2028-03-11"),
    (-8, "report_emergence", "Q09 V08", "Mon 2026-06-01", "Sun 2028-03-12"),
    (-4, "excluder_alarm", "V08", "Fri 2026-06-05", "Thu 2028-03-16"),
    (-3, "window_opens", "V02", "Sat 2026-06-06", "Fri 2028-03-17"),
    (-1, "first_co2", "C02 C08 R32", "Mon 2026-06-08", "Sun 2028-03-19"),
    (0, "bench_time", "V04 C01 K05", "Tue 2026-06-09", "Mon 2028-03-20"),
    (1, "second_co2", "C03", "Wed 2026-06-10", "Tue 2028-03-21"),
    (2, "second_dose", "D05", "Thu 2026-06-11", "Wed 2028-03-22"),
    (4, "last_normal", "V03", "Sat 2026-06-13", "Fri 2028-03-24"),
    (6, "last_with_reason", "V02 V05", "Mon 2026-06-15", "Sun 2028-03-26"),
    (7, "egg_check_1", "L10", "Tue 2026-06-16", "Mon 2028-03-27"),
    (10, "egg_check_2", "L10", "Fri 2026-06-19", "Thu 2028-03-30"),
    (14, "egg_check_3", "C23 C07", "Tue 2026-06-23", "Mon 2028-04-03"),
    (16, "sealed_brood", "L13", "Thu 2026-06-25", "Wed 2028-04-05"),
    (21, "decide", "L12", "Tue 2026-06-30", "Mon 2028-04-10"),
    (47, "own_progeny", "L14", "Sun 2026-07-26", "Sat 2028-05-06"),
]


def shown(day: dt.date) -> str:
    return f"{day:%a %Y-%m-%d}"


@pytest.mark.parametrize(("bench_day", "column"), [(A, 3), (B, 4)])
def test_backward_example_gives_every_row(bench_day: dt.date, column: int) -> None:
    steps = backward_plan(bench_day, SETTINGS)

    assert [(step.day, step.key, " ".join(step.rows), shown(step.best)) for step in steps] == [
        (row[0], row[1], row[2], row[column]) for row in BACKWARD
    ]


@pytest.mark.parametrize(
    ("key", "ages"),
    [("insert_comb", (16, 19)), ("latest_comb", (14, 17)), ("emergency_comb", (12, 15))],
)
def test_backward_comb_days_give_the_drone_ages_printed_beside_them(key: str, ages: tuple[int, int]) -> None:
    """Rows R01 (24 days), R30 (3 days of laying): ages on the bench day as the example prints them."""
    comb_on = next(step.best for step in backward_plan(A, SETTINGS) if step.key == key)

    assert cohort_calendar(CohortEvents(comb_in_on=comb_on), SETTINGS).ages_on(A) == ages


def test_earliest_comb_gives_drones_of_28_days_at_most() -> None:
    """Row R14."""
    comb_on = next(step.best for step in backward_plan(A, SETTINGS) if step.key == "earliest_comb")

    assert cohort_calendar(CohortEvents(comb_in_on=comb_on), SETTINGS).ages_on(A)[1] == 28


def test_last_drones_of_the_planned_comb_emerge_on_day_minus_16() -> None:
    calendar = cohort_calendar(CohortEvents(comb_in_on=dt.date(2026, 4, 27)), SETTINGS)

    assert [(day - A).days for day in (calendar.emerging_from, calendar.emerging_to)] == [-19, -16]


def test_breeder_queen_confined_on_day_minus_24_agrees_with_development_from_the_egg() -> None:
    """Row Q05: 16 days 1 hour from egg to emergence at 34.5 °C; eggs laid over 24 hours from the confinement."""
    steps = {step.key: step for step in backward_plan(A, SETTINGS)}
    first_egg = dt.datetime.combine(steps["confine_breeder"].best, dt.time(12), dt.UTC)
    development = dt.timedelta(days=16, hours=1)

    emerged = {(first_egg + development).date(), (first_egg + dt.timedelta(hours=24) + development).date()}

    assert {(day - A).days for day in emerged} == {-8, -7}
    assert steps["report_emergence"].earliest <= min(emerged) <= max(emerged) <= steps["report_emergence"].latest


def test_forward_example() -> None:
    """A graft reported on Wed 20 May 2026."""
    calendar = batch_calendar(BatchEvents(grafted_on=dt.date(2026, 5, 20)), SETTINGS)
    window = calendar.window

    assert {
        "sealed": shown(calendar.sealed_on),
        "cage": shown(calendar.cage_on),
        "alarm": shown(calendar.emergence_early_on),
        "emergence": shown(calendar.emergence_on),
        "opens": shown(window.opens_on),
        "best": shown(window.best_on),
        "last": shown(window.last_on),
        "reason": shown(window.last_with_reason_on),
        "blocked": shown(window.blocked_from),
    } == {
        "sealed": "Mon 2026-05-25",
        "cage": "Sat 2026-05-30",
        "alarm": "Sun 2026-05-31",
        "emergence": "Mon 2026-06-01",
        "opens": "Sat 2026-06-06",
        "best": "Tue 2026-06-09",
        "last": "Sat 2026-06-13",
        "reason": "Mon 2026-06-15",
        "blocked": "Tue 2026-06-16",
    }
    assert [window.fit(dt.date(2026, 6, day)) for day in (5, 6, 13, 14, 15, 16)] == [
        Fit.TOO_YOUNG,
        Fit.NORMAL,
        Fit.NORMAL,
        Fit.NEEDS_REASON,
        Fit.NEEDS_REASON,
        Fit.PAST_IT,
    ]


def test_forward_example_drones_come_from_eggs_of_18_april_to_2_may() -> None:
    """Eggs laid on one day only (lag 0), to compare single lay dates with the printed ones."""
    one_day = settings_from({"comb_lag_days": Decimal(0)})
    fits = {
        laid_on: cohort_calendar(CohortEvents(laid_on=laid_on), one_day).fit(A)
        for laid_on in (dt.date(2026, 4, 16) + dt.timedelta(days=number) for number in range(20))
    }
    usable = [day for day, fit in fits.items() if fit in (DroneFit.RIPE, DroneFit.FADING)]

    assert (shown(min(usable)), shown(max(usable))) == ("Sat 2026-04-18", "Sat 2026-05-02")


def test_cold_run_moves_emergence_and_window_but_never_the_place() -> None:
    """Row Q07: 27 h later at 32 °C (Acta Sci. Pol. Zootechnica 14(4):25-32 2015)."""
    events = BatchEvents(grafted_on=dt.date(2026, 5, 20), cell_temperature_c=Decimal(32), bench_on=A)

    calendar = batch_calendar(events, SETTINGS)

    bench, alarm = calendar.step("bench_time"), calendar.step("excluder_alarm")
    assert bench is not None
    assert alarm is not None
    assert shown(calendar.emergence_on) == "Tue 2026-06-02"
    assert queen_age_days(calendar.emergence_on, A) == 7
    assert shown(calendar.window.last_on) == "Sun 2026-06-14"
    assert shown(alarm.best) == "Sat 2026-06-06"
    assert (bench.best, calendar.notes) == (A, ())


def test_cold_run_is_recomputed_from_the_observed_emergence() -> None:
    events = BatchEvents(
        grafted_on=dt.date(2026, 5, 20),
        cell_temperature_c=Decimal(32),
        emergences=(Emergence(on=dt.date(2026, 6, 3)),),
        bench_on=A,
    )

    calendar = batch_calendar(events, SETTINGS)

    assert shown(calendar.emergence_on) == "Wed 2026-06-03"
    assert shown(calendar.window.last_on) == "Mon 2026-06-15"


@pytest.mark.parametrize(
    ("temperature", "hours", "is_outside"),
    [
        ("34.5", "0", False),
        ("33.5", "10.8", False),  # derived slope of row Q07: about 10.8 h a degree
        ("33.25", "13.5", False),
        ("32", "27", False),
        ("31.9", "27", True),  # colder than the trial: the last figure, flagged
        ("35", "0", False),
        ("35.1", "0", True),
    ],
)
def test_cold_delay_is_linear_between_32_and_34_5_and_never_extrapolated(
    temperature: str, hours: str, is_outside: bool
) -> None:
    delay = cold_delay_hours(Decimal(temperature), SETTINGS)

    assert (delay.hours, delay.is_outside) == (Decimal(hours), is_outside)


def test_development_from_the_egg_differs_by_the_delay() -> None:
    """Rows Q05 and Q06: 16 days 1 hour at 34.5 °C, 17 days 4 hours at 32 °C."""
    warm, cold = dt.timedelta(days=16, hours=1), dt.timedelta(days=17, hours=4)

    assert (cold - warm) == dt.timedelta(hours=float(cold_delay_hours(Decimal(32), SETTINGS).hours))
