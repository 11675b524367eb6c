"""Semen in store in the terms of drones: never promised twice, never to another bench."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st

from scheduling.planning.checker import check
from scheduling.planning.problem import Cohort
from scheduling.planning.solver import solve
from scheduling.planning.stored import drones_beside_store, stored_cohort
from scheduling.planning.supply import day_weights
from tests.scheduling.planning.seasons import booking, season, source

WEIGHTS = day_weights(15, 0.96)


def lot(here: set[int], elsewhere: set[int] = frozenset(), last_day: int = 14) -> Cohort | None:  # type: ignore[assignment]
    return stored_cohort(300, md_per_ul10=200, here=here, elsewhere=elsewhere, last_day=last_day, weights=WEIGHTS)


def test_a_lot_is_worth_the_drones_it_spares_on_its_first_bench_day():
    assert lot({2, 5, 9}) == Cohort(2, 9, 300 * 200 * WEIGHTS[2] // 1000)


@pytest.mark.parametrize(
    ("here", "elsewhere", "last_day", "days"),
    [
        ({2, 5, 9}, {4}, 14, (5, 9)),  # the longer run of days without another bench
        ({2, 5}, {3}, 14, (2, 2)),  # of two alike the earlier one
        ({2, 5, 9}, set(), 8, (2, 5)),  # up to its limit
        ({2, 5}, {2, 6}, 14, (5, 5)),  # a day with both benches is none
    ],
)
def test_the_days_of_a_lot(here: set[int], elsewhere: set[int], last_day: int, days: tuple[int, int]):
    found = lot(here, elsewhere, last_day)
    assert found is not None
    assert (found.first_day, found.last_day) == days


@pytest.mark.parametrize(("here", "elsewhere", "last_day"), [(set(), {3}, 14), ({3}, {3}, 14), ({5}, set(), 4)])
def test_a_lot_without_a_day_is_no_supply(here: set[int], elsewhere: set[int], last_day: int):
    assert lot(here, elsewhere, last_day) is None


@hypothesis_settings(max_examples=60)
@given(st.lists(st.integers(0, 200), min_size=3, max_size=3), st.integers(1, 400))
def test_what_a_plan_takes_of_a_lot_is_there(taken: list[int], volume: int):
    cohort = stored_cohort(volume, md_per_ul10=200, here={1, 6, 12}, elsewhere=(), last_day=14, weights=WEIGHTS)
    assert cohort is not None
    reserved = sum(200 * ul10 * WEIGHTS[day] for ul10, day in zip(taken, (1, 6, 12), strict=True))
    if reserved <= 1000 * cohort.stock_eq:
        assert sum(taken) <= volume


def test_a_plan_serves_queens_from_store_alone_where_no_drone_is_left():
    some = season(sources=[source("S1", cohorts=[], md_fixed=0), source("S2", cohorts=[])], bookings=[booking("B1")])
    assert solve(some, goal="served", cpu_seconds=2).result.served == 0  # type: ignore[union-attr]
    kept = stored_cohort(240, md_per_ul10=200, here={1, 2}, elsewhere=(), last_day=3, weights=some.weights)
    assert kept is not None
    stocked = replace(some, sources=(replace(some.sources[0], cohorts=(kept,)), some.sources[1]))
    plan = solve(stocked, goal="served", cpu_seconds=2)
    assert check(stocked, plan) == []
    assert plan.result is not None
    assert plan.result.served == 3  # of four: three doses of 8 µl


def test_drones_are_brought_for_the_rest_alone():
    assert drones_beside_store(400, 100, (200, 4000)) == (300, 64.0)
    assert drones_beside_store(400, 0, (200, 4000)) == (400, 84.0)
    assert drones_beside_store(400, 400, (200, 4000)) == (0, 0)
