"""The season as a packing: it holds every plan, its prices prove a bound, and steps that only multiply come near it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchmarks.planning import SIZES, generated
from scheduling.planning.baseline import hand_plan
from scheduling.planning.first_order import nearly_solved
from scheduling.planning.grid import Grid, grid_of
from scheduling.planning.highs import relaxed
from scheduling.planning.model import model_of
from scheduling.planning.packing import Packing
from scheduling.planning.plan import Plan
from scheduling.planning.problem import Problem
from scheduling.planning.slim import slim_program
from scheduling.planning.solver import solve

from .seasons import random_season, season

some = settings(max_examples=30)
SEASON = replace(SIZES["medium"], queens=400, bookings=50, benches=2, sources=16, days=28)


def packed(problem: Problem) -> tuple[Grid, Packing] | None:
    grid = grid_of(problem)
    return (grid, Packing(grid)) if grid.direct or grid.pooled else None


def point_in(grid: Grid, packing: Packing, plan: Plan) -> np.ndarray:
    """Write a plan as a point: a pooled queen is of each source what its part is of the pool."""
    x = np.zeros(packing.columns)
    at = {
        (int(b), grid.slots[int(k)].session, grid.slots[int(k)].source): i
        for i, (b, k) in enumerate(zip(packing.booking, packing.slot, strict=True))
    }
    booking = {entry.id: b for b, entry in enumerate(grid.bookings)}
    source = {entry.id: s for s, entry in enumerate(grid.sources)}
    pools = {pool.id: pool for pool in plan.pools}
    for placement in plan.assign:
        b, j = booking[placement.booking], grid.session_at[placement.bench, placement.day]
        if placement.source is not None:
            x[at[b, j, source[placement.source]]] += placement.queens
            continue
        pool = pools[placement.pool or ""]
        total = sum(part.ul10 for part in pool.parts)
        for part in pool.parts:
            x[at[b, j, source[part.source]]] += placement.queens * part.ul10 / total
    return x


@some
@given(st.integers(0, 10**6))
def test_every_plan_is_a_point_of_it(seed: int):
    problem = random_season(seed)
    found = packed(problem)
    if found is None:
        return
    grid, packing = found
    plan = hand_plan(problem)
    x = point_in(grid, packing, plan)
    assert x.sum() == pytest.approx(sum(placement.queens for placement in plan.assign))
    assert (packing.rows(x) <= packing.limit + 1e-6).all()
    assert (x <= packing.high + 1e-9).all()


@some
@given(st.integers(0, 10**6))
def test_costs_are_the_rows_turned_round(seed: int):
    found = packed(random_season(seed))
    if found is None:
        return
    _, packing = found
    draw = np.random.default_rng(seed)
    x, prices = draw.random(packing.columns), draw.random(len(packing.limit))
    assert packing.costs(prices) @ x == pytest.approx(prices @ packing.rows(x))


@some
@given(st.integers(0, 10**6))
def test_any_prices_bound_what_a_plan_serves(seed: int):
    problem = random_season(seed)
    found = packed(problem)
    if found is None:
        return
    _, packing = found
    served = sum(placement.queens for placement in hand_plan(problem).assign)
    prices = np.random.default_rng(seed).exponential(0.3, len(packing.limit))
    assert packing.bound(prices) >= served - 1e-6
    assert nearly_solved(packing, error=1e-3, steps=400).bound >= served - 1e-6


@pytest.mark.parametrize("seed", range(6))
def test_its_bound_holds_for_what_the_planner_proves_best(seed: int):
    problem = random_season(seed)
    result = solve(problem, goal="served", cpu_seconds=4).result
    found = packed(problem)
    assert result is not None
    assert found is not None
    assert nearly_solved(found[1], error=1e-4).bound >= result.served - 1e-6


@pytest.mark.parametrize("seed", [1, 2])
def test_the_steps_come_near_the_slim_relaxation(seed: int):
    grid = grid_of(generated(SEASON, seed))
    near = nearly_solved(Packing(grid), error=2e-3)
    slim = relaxed(slim_program(model_of(grid))[0], seconds=20).bound
    assert near.error <= 2e-3 * near.bound
    assert slim - 1e-6 <= near.bound <= 1.01 * slim


def test_the_steps_are_the_same_each_time_and_end_when_told():
    packing = Packing(grid_of(generated(SEASON, 3)))
    first, again = (nearly_solved(packing, error=1e-2) for _ in range(2))
    assert (first.bound, first.steps) == (again.bound, again.steps)
    assert (first.x == again.x).all()
    stopped = nearly_solved(packing, error=1e-9, stop=lambda: True)
    assert stopped.steps < first.steps
    assert stopped.bound >= slim_bound(packing, first)


def slim_bound(packing: Packing, near) -> float:
    """What the near point serves once it is scaled down to break nothing."""
    taken = packing.rows(near.x)
    over = max(1.0, float((taken / np.maximum(packing.limit, 1e-12))[taken > 1e-9].max()))
    return float(near.x.sum()) / over


def test_where_there_is_room_the_bound_is_everybody():
    found = packed(season())
    assert found is not None
    assert nearly_solved(found[1], error=1e-4).bound == pytest.approx(8, abs=1e-2)
