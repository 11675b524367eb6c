"""Queens in mixed semen moved by hand: the mixture that is there, theirs, or one made anew; no rule is broken."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import replace
from itertools import combinations

import pytest

from scheduling.planning.baseline import hand_plan
from scheduling.planning.blocks import least_parts
from scheduling.planning.checker import check, check_move
from scheduling.planning.mixing import Mixing
from scheduling.planning.moves import Move, plan_after_move, plan_without
from scheduling.planning.plan import Part, Plan, Pool
from scheduling.planning.problem import Placement, Problem

from .seasons import bench_day, booking, random_season, season
from .test_checker import POOLING, plan

HALVES = (Part("S1", 160), Part("S2", 160))
POOLED = plan(Placement("B1", "J1", 1, 4, pool="P1"), pools=(Pool("P1", "J1", 1, HALVES),))


def mixing(problem: Problem, before: Plan, queens: int, taken_from: Placement | None, name: str = "B1") -> Mixing:
    wanted = next(one for one in problem.bookings if one.id == name)
    return Mixing(problem, before, wanted, queens=queens, taken_from=taken_from, taken={"B1.1"})


def volumes(after: Plan) -> dict[str, dict[str, float]]:
    return {pool.id: {part.source: part.ul10 for part in pool.parts} for pool in after.pools}


def test_the_mixture_goes_along_to_another_day_under_a_name_of_its_own():
    problem = season(bookings=[booking("B1", **POOLING)])
    move, broken = mixing(problem, POOLED, 1, POOLED.assign[0]).best("J1", 2)
    after = plan_after_move(problem, POOLED, move)
    assert (broken, check(problem, after)) == ([], [])
    assert volumes(after) == {"P1": {"S1": 120, "S2": 120}, "B1.2": {"S1": 40, "S2": 40}}


def test_queens_join_the_mixture_of_theirs_that_is_made_there():
    problem = season(bookings=[booking("B1", **POOLING)])
    two = plan(
        Placement("B1", "J1", 1, 2, pool="P1"),
        Placement("B1", "J1", 2, 2, pool="P2"),
        pools=(
            Pool("P1", "J1", 1, (Part("S1", 80), Part("S2", 80))),
            Pool("P2", "J1", 2, (Part("S1", 80), Part("S2", 80))),
        ),
    )
    move, broken = mixing(problem, two, 2, two.assign[0]).best("J1", 2)
    after = plan_after_move(problem, two, move)
    assert (broken, check(problem, after)) == ([], [])
    assert volumes(after) == {"P2": {"S1": 160, "S2": 160}}


def test_queens_that_had_no_place_get_a_mixture_in_equal_parts():
    problem = season(bookings=[booking("B1", **POOLING)])
    move, broken = mixing(problem, plan(), 4, None).best("J1", 1)
    after = plan_after_move(problem, plan(), move)
    assert (broken, check(problem, after)) == ([], [])
    assert volumes(after) == {"B1.2": {"S1": 160, "S2": 160}}


def test_another_mixture_is_made_where_theirs_breaks_a_rule():
    problem = season(bookings=[booking("B1", **{**POOLING, "part_cap_permille": 600})])
    uneven = plan(
        Placement("B1", "J1", 1, 4, pool="P1"), pools=(Pool("P1", "J1", 1, (Part("S1", 192), Part("S2", 128))),)
    )
    tighter = replace(problem, bookings=(replace(problem.bookings[0], part_cap_permille=500),))
    move, broken = mixing(tighter, uneven, 4, uneven.assign[0]).best("J1", 2)
    assert (broken, volumes(plan_after_move(tighter, uneven, move))) == ([], {"B1.2": {"S1": 160, "S2": 160}})


def test_what_is_in_the_way_is_named_on_a_full_day_and_where_nothing_is_ripe():
    days = [bench_day(0), bench_day(1), bench_day(2, max_queens=3), bench_day(3)]
    problem = season(benches=[{"id": "J1", "days": days}], bookings=[booking("B1", **POOLING)])
    full = mixing(problem, POOLED, 4, POOLED.assign[0]).best("J1", 2)[1]
    assert [violation.rule for violation in full] == ["places"]
    bare = replace(problem, sources=tuple(replace(source, cohorts=()) for source in problem.sources))
    assert {violation.rule for violation in mixing(bare, plan(), 4, None).best("J1", 1)[1]} == {"stock"}


def test_queens_taken_out_leave_a_mixture_of_what_is_left():
    problem = season(bookings=[booking("B1", **POOLING), booking("B2", **POOLING)])
    both = plan(
        Placement("B1", "J1", 1, 4, pool="P1"),
        Placement("B2", "J1", 1, 4, pool="P1"),
        pools=(Pool("P1", "J1", 1, (Part("S1", 320), Part("S2", 320))),),
    )
    after = plan_without(problem, both, both.assign[0])
    assert (check(problem, after), volumes(after)) == ([], {"P1": {"S1": 160, "S2": 160}})
    assert plan_without(problem, after, after.assign[0]).pools == ()
    with pytest.raises(ValueError, match="holds 4 queens"):
        plan_without(problem, both, replace(both.assign[0], queens=5))


def test_whatever_is_moved_keeps_every_rule_and_nothing_is_refused_that_equal_parts_could_do():
    found: Counter[str] = Counter()
    for seed in range(60):
        problem = roomier(random_season(seed, bookings=8, days=8), seed)
        before = hand_plan(problem)
        for mixer, place in every_move(problem, before):
            move, broken = mixer.best(*place)
            assert broken == check_move(problem, before, move)
            if broken:
                assert not any_equal_parts(problem, before, mixer, place), (seed, move)
            else:
                assert check(problem, plan_after_move(problem, before, move)) == check(problem, before)
            found["refused" if broken else "joined" if move.pool in volumes(before) else "made"] += 1
    assert min(found[way] for way in ("refused", "joined", "made")) > 8


def roomier(problem: Problem, seed: int) -> Problem:
    """The random seasons are so short of everything that hardly any move fits."""
    times = 2 + seed % 3
    benches = tuple(
        replace(
            bench,
            days=tuple(
                replace(
                    day,
                    op_minutes=times * day.op_minutes,
                    collect_drones=2 * times * day.collect_drones,
                    max_queens=times * day.max_queens,
                    co2_capacity=times * day.co2_capacity,
                )
                for day in bench.days
            ),
        )
        for bench in problem.benches
    )
    sources = tuple(
        replace(source, cohorts=tuple(replace(one, stock_eq=times * one.stock_eq) for one in source.cohorts))
        for source in problem.sources
    )
    rules = replace(problem.rules, min_sources=0, max_source_share_permille=1000 - 300 * (seed % 2))
    return replace(problem, benches=benches, sources=sources, rules=rules)


def every_move(problem: Problem, before: Plan) -> Iterator[tuple[Mixing, tuple[str, int]]]:
    """Each placement in mixed semen, and each rest without a place, to each other session."""
    for wanted in problem.bookings:
        placed = [placement for placement in before.assign if placement.booking == wanted.id and placement.pool]
        left = wanted.queens - sum(placement.queens for placement in placed)
        if wanted.mode != "pool":
            continue
        for taken_from in [*placed, *([None] if left else [])]:
            queens = taken_from.queens if taken_from else left
            mixer = Mixing(problem, before, wanted, queens=queens, taken_from=taken_from)
            for bench in problem.benches:
                for day in bench.days:
                    if taken_from is None or (taken_from.bench, taken_from.day) != (bench.id, day.day):
                        yield mixer, (bench.id, day.day)


def any_equal_parts(problem: Problem, before: Plan, mixer: Mixing, place: tuple[str, int]) -> bool:
    """By trying every set of so many of the accepted sources as a mixture must have."""
    wanted = mixer.booking
    for sources in combinations([one.id for one in wanted.sources], least_parts(wanted)):
        parts = tuple(Part(source, 1.0) for source in sources)
        move = Move(wanted.id, *place, mixer.queens, None, "other", mixer.taken_from, parts)
        if not check_move(problem, before, move):
            return True
    return False
