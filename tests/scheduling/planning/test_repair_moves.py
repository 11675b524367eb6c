"""A hand move is judged by what it touches; over any sequence of moves that is what the whole check says."""

from __future__ import annotations

import random
from dataclasses import replace

from hypothesis import given, settings
from hypothesis import strategies as st

from scheduling.planning.baseline import hand_plan
from scheduling.planning.checker import Violation, check, check_move
from scheduling.planning.moves import Move, plan_after_move
from scheduling.planning.plan import Plan
from scheduling.planning.problem import Problem

from .seasons import random_season

relaxed = settings(max_examples=60)


def a_move(draw: random.Random, problem: Problem, plan: Plan) -> Move | None:
    booking = draw.choice(problem.bookings)
    bench = draw.choice(problem.benches)
    if not bench.days:
        return None
    day = draw.choice(bench.days).day
    placed = [placement for placement in plan.assign if placement.booking == booking.id]
    taken_from = draw.choice(placed) if placed and draw.random() < 0.7 else None
    queens = draw.randint(1, taken_from.queens if taken_from else 2)
    pools = [pool.id for pool in plan.pools if (pool.bench, pool.day) == (bench.id, day)]
    if booking.mode == "pool" and pools:
        return Move(booking.id, bench.id, day, queens, pool=draw.choice(pools), taken_from=taken_from)
    return Move(booking.id, bench.id, day, queens, source=draw.choice(problem.sources).id, taken_from=taken_from)


def worse_than_before(problem: Problem, before: Plan, after: Plan) -> list[Violation]:
    def place(violation: Violation) -> Violation:
        return replace(violation, amount=0)

    was = {place(violation): violation.amount for violation in check(problem, before)}
    return [violation for violation in check(problem, after) if violation.amount > was.get(place(violation), 0)]


@relaxed
@given(st.integers(0, 10**6))
def test_a_sequence_of_moves_is_judged_as_by_the_whole_check(seed: int):
    draw = random.Random(seed)
    problem = random_season(seed, bookings=8)
    plan = hand_plan(problem)
    judged = 0
    for _ in range(25):
        move = a_move(draw, problem, plan)
        if move is None:
            continue
        after = plan_after_move(problem, plan, move)
        found = check_move(problem, plan, move)
        assert sorted(map(str, found)) == sorted(map(str, worse_than_before(problem, plan, after)))
        judged += 1
        # Go on from broken plans too, now and then: the next move is judged against what is broken already.
        if not found or draw.random() < 0.1:
            plan = after
    assert judged
