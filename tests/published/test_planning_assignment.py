"""Most queens and best merit of the simplest season against the assignment problem.

Source: `scipy.optimize.linear_sum_assignment` (a general-purpose solver of the assignment problem). Each booking asks
for one queen, each session has one place and one source of its own, so a plan is a matching of bookings and sessions.
"""

from __future__ import annotations

import random
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.optimize import linear_sum_assignment

from scheduling.planning.checker import check
from scheduling.planning.plan import Plan
from scheduling.planning.problem import Problem
from scheduling.planning.solver import solve
from tests.scheduling.planning.seasons import bench_day, booking, season, source

SIZE = 7


def one_each(seed: int) -> tuple[Problem, NDArray[np.int64], NDArray[np.bool_]]:
    """A season with its table of merits and which pairs can be, shape (bookings, sessions)."""
    draw = random.Random(seed)
    can = np.array([[draw.random() < 0.45 for _ in range(SIZE)] for _ in range(SIZE)])
    can[np.arange(SIZE), np.array(draw.sample(range(SIZE), SIZE))] |= np.array(
        [draw.random() < 0.7 for _ in range(SIZE)]
    )
    merit = np.array([[draw.randint(0, 300) for _ in range(SIZE)] for _ in range(SIZE)])
    sources = [source(f"S{n}", benches=[f"J{n}"]) for n in range(SIZE)]
    # Somebody is there on the day after for the other CO2, without inseminating.
    days = [bench_day(1, max_queens=1), bench_day(2, op_minutes=0, max_queens=0)]
    benches = [{"id": f"J{n}", "days": days} for n in range(SIZE)]
    bookings: list[dict[str, Any]] = []
    for b in range(SIZE):
        accepted = [{"id": f"S{n}", "merit": int(merit[b, n])} for n in range(SIZE) if can[b, n]]
        if not accepted:
            accepted, can[b, 0] = [{"id": "S0", "merit": int(merit[b, 0])}], True
        bookings.append(
            booking(f"B{b}", member=f"M{b}", queens=1, benches=[f"J{n}" for n in range(SIZE)], sources=accepted)
        )
    members = [{"id": f"M{b}"} for b in range(SIZE)]
    return season(benches=benches, sources=sources, bookings=bookings, members=members), merit, can


def merit_of(plan: Plan, merit: NDArray[np.int64]) -> int:
    return sum(int(merit[int(p.booking[1:]), int(str(p.source)[1:])]) for p in plan.assign)


@pytest.mark.parametrize("seed", range(12))
def test_most_queens_are_the_largest_matching(seed: int) -> None:
    problem, _merit, can = one_each(seed)
    rows, columns = linear_sum_assignment(can.astype(int), maximize=True)
    most = int(can[rows, columns].sum())
    plan = solve(problem, goal="served", cpu_seconds=3)
    assert check(problem, plan) == []
    assert plan.result is not None
    assert (plan.result.served, plan.result.bound_served, plan.result.status) == (most, most, "optimal")


@pytest.mark.parametrize("seed", range(12))
def test_among_those_the_best_merit_is_the_dearest_matching(seed: int) -> None:
    problem, merit, can = one_each(seed)
    # Serving one more is worth more than every merit together, so that the number comes first.
    worth = np.where(can, merit + 300 * SIZE, 0)
    rows, columns = linear_sum_assignment(worth, maximize=True)
    chosen = can[rows, columns]
    plan = solve(problem, goal="all", cpu_seconds=3)
    assert check(problem, plan) == []
    assert len(plan.assign) == int(chosen.sum())
    assert merit_of(plan, merit) == int(merit[rows, columns][chosen].sum())
