"""The slim relaxation bounds whatever the whole one bounds; what open slots support is a plan."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from scheduling.planning import starting
from scheduling.planning.baseline import best_by_hand
from scheduling.planning.checker import check
from scheduling.planning.drawing import plan_of
from scheduling.planning.goals import served_goal
from scheduling.planning.grid import grid_of
from scheduling.planning.highs import relaxed, solved
from scheduling.planning.model import Model, model_of
from scheduling.planning.problem import Problem
from scheduling.planning.rounding import rounded_state
from scheduling.planning.running import Search
from scheduling.planning.search import improved, only_open
from scheduling.planning.slim import open_slots, slim_program, supported_program

from .seasons import random_season, season

some = settings(max_examples=40)


def made(seed: int) -> tuple[Problem, Model]:
    problem = random_season(seed)
    return problem, model_of(grid_of(problem))


@some
@given(st.integers(0, 10**6))
def test_the_slim_bound_is_one_and_never_below_the_whole_relaxation(seed: int):
    _, model = made(seed)
    program, back = slim_program(model)
    if not program.A.shape[0]:
        return
    slim = relaxed(program, seconds=20)
    assert slim.v is not None
    assert served_goal(model) @ (back @ slim.v) == pytest.approx(slim.value, abs=1e-6)
    whole = relaxed(model.program(served_goal(model)), seconds=20)
    if whole.v is not None:
        assert slim.bound >= whole.bound - 1e-6
    best = solved(model.program(served_goal(model)), seconds=20, nodes=2000)
    if best.v is not None:
        assert slim.bound >= best.value - 1e-6


def test_the_slim_bound_is_as_good_as_the_whole_one_where_slots_cost_nothing():
    model = model_of(grid_of(season(rules={"setup_minutes": 0})))
    program, _ = slim_program(model)
    whole = relaxed(model.program(served_goal(model)), seconds=20)
    assert relaxed(program, seconds=20).bound == pytest.approx(whole.bound)
    assert program.A.shape[1] < model.columns


@some
@given(st.integers(0, 10**6))
def test_seating_between_open_slots_keeps_every_rule_and_opens_none(seed: int):
    problem, model = made(seed)
    state = best_by_hand(model)
    goal = served_goal(model)
    program, columns, v = supported_program(model, goal, state)
    answer = relaxed(program, seconds=20)
    if answer.v is None:
        return  # the least number of sources, say, is beyond these slots
    v[columns] = answer.v
    assert (model.A @ v <= model.row_high + 1e-6).all()
    assert (model.A @ v >= model.row_low - 1e-6).all()
    opened = open_slots(state)
    queens = v[model.blocks["x"].slice]
    slot = np.array([k for _, k in model.grid.direct], dtype=np.int64)
    assert (queens[opened[slot] == 0] < 1e-6).all()
    assert goal @ v >= state.served - 1e-6
    rounded = rounded_state(model, v).vector(model)
    broken = {violation.rule for violation in check(problem, plan_of(model, rounded))}
    assert broken <= {"min_sources", "frozen"}


@some
@given(st.integers(0, 10**6))
def test_a_piece_of_open_slots_changes_nothing_else(seed: int):
    _, model = made(seed)
    point = best_by_hand(model).vector(model)
    open_slot = point[model.blocks["z"].slice] > 0.5
    free = only_open(model, np.ones(model.columns, dtype=bool), open_slot)
    better, _ = improved(model, served_goal(model), point, free, seconds=5, nodes=200, seed=1, slack=0.99)
    assert not (better[model.blocks["z"].slice] > point[model.blocks["z"].slice] + 0.5).any()
    assert served_goal(model) @ better >= served_goal(model) @ point


@pytest.mark.parametrize("seed", range(6))
def test_the_slim_start_is_valid_and_no_worse_than_the_hand_rules(seed: int):
    problem, model = made(seed)
    hand = best_by_hand(model)
    search = Search(
        model=model,
        seed=1,
        left=lambda: 20.0,
        stop=lambda: False,
        tell=lambda served, bound: None,
        valid=lambda v: not check(problem, plan_of(model, v)),
        bound=problem.requested,
    )
    goal = served_goal(model)
    point = starting._slim_start(search, goal, hand.vector(model))
    assert goal @ point >= hand.served
    assert search.bound >= goal @ point
