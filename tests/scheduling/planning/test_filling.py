"""The last step: nobody is left out where there is room, and nobody loses a place by it."""

from __future__ import annotations

from dataclasses import replace

import pytest

from scheduling.planning.baseline import hand_plan
from scheduling.planning.checker import check
from scheduling.planning.filling import filled
from scheduling.planning.moves import co2_of
from scheduling.planning.plan import Plan
from scheduling.planning.problem import Problem

from .seasons import random_season, season


def without(problem: Problem, plan: Plan, every: int) -> Plan:
    """The plan without some of the placements that have a source of their own."""
    kept = tuple(p for number, p in enumerate(plan.assign) if p.pool or number % every)
    return replace(plan, assign=kept, co2=co2_of(problem, kept))


def served(plan: Plan) -> int:
    return sum(placement.queens for placement in plan.assign)


def test_all_come_back_where_there_was_room_for_all():
    problem = season()
    emptied = Plan(problem.name)
    plan = filled(problem, emptied)
    assert served(plan) == problem.requested
    assert check(problem, plan) == []


@pytest.mark.parametrize("seed", range(12))
def test_it_only_adds_and_leaves_no_single_place_free(seed: int):
    problem = random_season(seed)
    start = without(problem, hand_plan(problem), 3)
    if check(problem, start):  # rules of the whole season need the placements taken out
        start = hand_plan(problem)
    plan = filled(problem, start)
    # A hand rule may use too few sources; more queens break nothing more.
    assert {v.rule for v in check(problem, plan)} <= {v.rule for v in check(problem, start)} <= {"min_sources"}
    before = {(p.booking, p.bench, p.day, p.source, p.pool): p.queens for p in start.assign}
    after = {(p.booking, p.bench, p.day, p.source, p.pool): p.queens for p in plan.assign}
    assert all(after.get(place, 0) >= queens for place, queens in before.items())
    again = filled(problem, plan)
    assert served(again) == served(plan)
