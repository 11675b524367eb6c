"""Optimum of small seasons against an independent model.

Source: the same rules written down a second time, without any of the planner's code (flows instead of Hall's
condition, both CO2 sides as variables), solved by `scipy.optimize.milp`.
"""

from __future__ import annotations

import pytest

from scheduling.planning.checker import check
from scheduling.planning.solver import solve
from tests.scheduling.planning.seasons import random_season
from tests.scheduling.planning.slow_model import SlowModel


@pytest.mark.parametrize("seed", range(40, 56))
def test_most_queens_served_agrees_with_an_independent_model(seed: int):
    problem = random_season(seed, bookings=4, days=5, sources=3)
    optimum = SlowModel(problem).most_served()
    plan = solve(problem, goal="served", cpu_seconds=8)
    assert plan.result is not None
    if optimum is None:
        assert plan.result.status == "infeasible"
        return
    assert check(problem, plan) == []
    assert (plan.result.served, plan.result.status) == (optimum, "optimal" if optimum else plan.result.status)
