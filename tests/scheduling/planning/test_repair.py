"""Repair: whoever still fits stays, every point of the curve keeps every rule, more moves gain more."""

from __future__ import annotations

import random
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from scheduling.planning.baseline import hand_plan
from scheduling.planning.checker import check
from scheduling.planning.drawing import plan_of
from scheduling.planning.grid import grid_of
from scheduling.planning.ledger import Ledger
from scheduling.planning.model import model_of
from scheduling.planning.moves import co2_of
from scheduling.planning.plan import Part, Plan, Pool
from scheduling.planning.problem import Booking, Placement, Problem
from scheduling.planning.repair import Point, Repair, repair
from scheduling.planning.repair_changes import (
    Change,
    batch_later,
    bench_day_shortened,
    changes_between,
    source_with_less,
    with_bookings,
)
from scheduling.planning.repair_prices import point_of
from scheduling.planning.rows import place_key
from scheduling.planning.solver import solve

from .seasons import bench_day, booking, random_season, season, source

relaxed = settings(max_examples=30)
seeds = st.integers(0, 10**6)


def a_season(seed: int) -> Problem:
    problem = random_season(seed, bookings=14, days=9, sources=5)
    return replace(problem, rules=replace(problem.rules, min_sources=0))


def worse(problem: Problem, seed: int) -> Problem:
    """Change one or two facts, whichever the seed says."""
    draw = random.Random(seed)
    for kind in draw.sample(["source", "bench", "batch", "bookings"], 2):
        if kind == "source":
            problem = source_with_less(problem, draw.choice(problem.sources).id, draw.choice([0, 0, 400]))
        elif kind == "bench":
            bench = draw.choice(problem.benches)
            problem = bench_day_shortened(
                problem, bench.id, draw.choice(bench.days).day if bench.days else 0, draw.choice([0, 20])
            )
        elif kind == "batch":
            problem = batch_later(problem, draw.choice(problem.bookings).id, draw.choice([-1, 1, 2]))
        else:
            like = draw.choice(problem.bookings)
            problem = with_bookings(problem, (replace(like, id="N1"),))
    return problem


def counts(plan: Plan) -> dict[tuple[str, str, int, str | None], int]:
    found: dict[tuple[str, str, int, str | None], int] = {}
    for placement in plan.assign:
        found[place_key(placement)] = found.get(place_key(placement), 0) + placement.queens
    return found


def moved(before: Plan, after: Plan) -> int:
    now = counts(after)
    return sum(max(0, n - now.get(key, 0)) for key, n in counts(before).items())


def repaired(problem: Problem, plan: Plan, **changes) -> Repair:
    return repair(problem, plan, **{"cpu_seconds": 30.0, "trials": 3000, "pieces": 0, **changes})


@relaxed
@given(seeds)
def test_every_point_of_the_curve_keeps_every_rule_and_says_what_it_is(seed: int):
    plan = hand_plan(a_season(seed))
    problem = worse(a_season(seed), seed)
    found = repaired(problem, plan)
    assert found.points, found.broken
    for point in found.points:
        assert check(problem, point.plan) == []
        assert point.moved == moved(plan, point.plan)
        assert point.served == sum(placement.queens for placement in point.plan.assign)
    pairs = list(zip(found.points, found.points[1:], strict=False))
    assert all(a.moved < b.moved and a.served < b.served for a, b in pairs)
    assert found.fewest.moved <= found.balanced.moved <= found.most.moved


@relaxed
@given(seeds)
def test_nobody_who_still_fits_moves_first(seed: int):
    """Putting one published queen back who lost her place breaks a rule, and costs nobody else hers."""
    plan = hand_plan(a_season(seed))
    problem = worse(a_season(seed), seed)
    first = repaired(problem, plan, trials=1).fewest
    now = counts(first.plan)
    told = counts(plan)
    # Published queens alone, as the first repair kept them: what was filled in came after.
    kept = {key: min(n, told[key]) for key, n in now.items() if key in told}
    for key, n in told.items():
        if key[3] is None or kept.get(key, 0) == n or any(place.pool for place in first.plan.assign):
            continue
        with_her = {**kept, key: kept.get(key, 0) + 1}
        assign = tuple(Placement(b, j, d, m, source=s) for (b, j, d, s), m in with_her.items() if m)
        assert check(problem, Plan(problem.name, assign, (), co2_of(problem, assign))), key


@relaxed
@given(seeds)
def test_where_nothing_changed_nobody_moves(seed: int):
    problem = a_season(seed)
    plan = hand_plan(problem)
    found = repaired(problem, plan)
    assert found.fewest.moved == 0
    now = counts(found.fewest.plan)
    assert all(now.get(key, 0) >= n for key, n in counts(plan).items())


@relaxed
@given(seeds)
def test_the_frozen_stay(seed: int):
    plan = hand_plan(a_season(seed))
    problem = worse(a_season(seed), seed)
    stays = repaired(problem, plan, trials=1).fewest.plan
    frozen = tuple(placement for placement in stays.assign if placement.source is not None)[::2]
    problem = replace(problem, frozen=frozen)
    for point in repaired(problem, plan).points:
        assert all(counts(point.plan).get(place_key(entry), 0) >= entry.queens for entry in frozen)


@pytest.mark.parametrize("seed", [1, 4, 16])
def test_exact_pieces_only_add_to_the_curve(seed: int):
    plan = hand_plan(a_season(seed))
    problem = worse(a_season(seed), seed)
    without, found = repaired(problem, plan), repaired(problem, plan, pieces=1, cpu_seconds=3.0)
    for point in found.points:
        assert check(problem, point.plan) == []
        assert point.moved == moved(plan, point.plan)
        assert point.served == sum(placement.queens for placement in point.plan.assign)
    assert found.most.served >= without.most.served
    assert found.fewest.moved == without.fewest.moved


@relaxed
@given(seeds)
def test_a_plan_and_its_point_of_the_program_say_the_same(seed: int):
    problem = a_season(seed)
    plan = hand_plan(problem)
    model = model_of(grid_of(replace(problem, published=plan.assign)))
    point = point_of(model, plan)
    rows = model.A @ point
    assert (rows <= model.row_high + 0.01).all()
    assert (rows >= model.row_low - 0.01).all()
    assert counts(plan_of(model, point)) == counts(plan)
    assert point[model.blocks["k"].slice].sum() == sum(placement.queens for placement in plan.assign)


def test_two_who_move_together_make_room_for_four():
    """Each source opened costs ten minutes: B3 fits as a whole once both queens of S2 leave the session."""
    days = [bench_day(0, op_minutes=0), bench_day(1, op_minutes=40), bench_day(2, op_minutes=0)]
    days += [bench_day(3, op_minutes=40), bench_day(4, op_minutes=0)]
    far = {"cohorts": [{"first_day": 0, "last_day": 4, "stock_eq": 200_000}]}
    early = {"cohorts": [{"first_day": 0, "last_day": 2, "stock_eq": 200_000}]}
    stays, moves = booking("B1", queens=2, sources=[{"id": "S1"}]), booking("B2", queens=2, sources=[{"id": "S2"}])
    problem = season(
        days=5,
        weights=[1000] * 5,
        benches=[{"id": "J1", "days": days}],
        bookings=[stays, moves],
        sources=[source("S1", **early), source("S2", **far)],
    )
    told = (Placement("B1", "J1", 1, 2, source="S1"), Placement("B2", "J1", 1, 2, source="S2"))
    plan = Plan("by hand", told, (), co2_of(problem, told))
    assert check(problem, plan) == []
    after = with_bookings(problem, (replace(problem.bookings[0], id="B3", queens=4),))
    found = repaired(after, plan, pieces=1)
    assert (found.fewest.moved, found.fewest.served) == (0, 4)
    assert (found.most.moved, found.most.served) == (2, 8)


@pytest.mark.parametrize("seed", [1, 4, 9, 16])
def test_the_order_of_the_input_changes_nothing(seed: int):
    plan = hand_plan(a_season(seed))
    problem = worse(a_season(seed), seed)
    shuffle = random.Random(seed)

    def mixed(items):
        return tuple(shuffle.sample(list(items), len(items)))

    other = replace(
        problem,
        benches=mixed(problem.benches),
        sources=mixed(problem.sources),
        members=mixed(problem.members),
        bookings=mixed([replace(entry, sources=mixed(entry.sources)) for entry in problem.bookings]),
    )
    shuffled = replace(plan, assign=mixed(plan.assign), pools=mixed(plan.pools))
    assert repaired(problem, plan).points == repaired(other, shuffled).points


def test_the_same_seed_gives_the_same_curve():
    plan = hand_plan(a_season(2))
    problem = worse(a_season(2), 2)
    assert repaired(problem, plan, seed=5).points == repaired(problem, plan, seed=5).points


def test_a_lost_source_moves_only_its_own_queens():
    plan = Plan(
        "by hand",
        (Placement("B1", "J1", 1, 4, source="S1"), Placement("B2", "J1", 1, 4, source="S2")),
        (),
        co2_of(season(), [Placement("B1", "J1", 1, 4), Placement("B2", "J1", 1, 4)]),
    )
    assert check(season(), plan) == []
    found = repaired(source_with_less(season(), "S1", 0), plan)
    assert (found.told, found.fewest.moved, found.fewest.served) == (8, 4, 8)
    assert {place.source for place in found.fewest.plan.assign} == {"S2"}
    assert Placement("B2", "J1", 1, 4, source="S2") in found.fewest.plan.assign


def test_a_queen_without_a_place_gets_one_by_moving_another():
    """B1 may only have day 1, which B2 fills; B2 could as well have day 3."""
    days = [bench_day(0, op_minutes=0), bench_day(1, max_queens=2), bench_day(2, op_minutes=0)]
    days += [bench_day(3, max_queens=2), bench_day(4, op_minutes=0)]
    wide = booking("B2", member="M2", queens=2, sources=[{"id": "S2"}])
    late = booking("B1", queens=2, sources=[{"id": "S1"}])
    both = [source("S1", cohorts=[{"first_day": 0, "last_day": 2, "stock_eq": 200_000}])]
    problem = season(
        days=5,
        weights=[1000] * 5,
        benches=[{"id": "J1", "days": days}],
        bookings=[wide],
        sources=[*both, source("S2", cohorts=[{"first_day": 0, "last_day": 4, "stock_eq": 200_000}])],
    )
    told = (Placement("B2", "J1", 1, 2, source="S2"),)
    plan = Plan("by hand", told, (), co2_of(problem, told))
    assert check(problem, plan) == []
    asked = season(bookings=[late]).bookings[0]
    found = repaired(with_bookings(problem, (replace(asked, emerge=wide["emerge"]),)), plan)
    assert [(point.moved, point.served) for point in found.points] == [(0, 2), (1, 3), (2, 4)]
    assert (found.most.moved, found.balanced.moved) == (2, 0)


def test_a_pool_stays_as_it_was_mixed():
    pooling = booking("B1", mode="pool", pool="P", min_sources=2, part_cap_permille=600)
    problem = season(bookings=[pooling])
    told = (Placement("B1", "J1", 1, 4, pool="of May"),)
    volume = 4 * problem.bookings[0].ul10
    parts = (Part("S1", round(0.4321 * volume, 4)), Part("S2", round(volume - round(0.4321 * volume, 4), 6)))
    plan = Plan("by hand", told, (Pool("of May", "J1", 1, parts),), co2_of(problem, told))
    assert check(problem, plan) == []
    found = repaired(problem, plan)
    assert found.fewest.plan.assign == told
    assert found.fewest.plan.pools == plan.pools


def test_what_cannot_be_kept_is_said():
    told = (Placement("B1", "J1", 1, 4, source="S1"),)
    plan = Plan("by hand", told, (), co2_of(season(), told))
    problem = replace(source_with_less(season(), "S1", 0), frozen=told)
    found = repaired(problem, plan)
    assert found.points == ()
    assert {violation.rule for violation in found.broken} == {"frozen"}


def test_a_stop_keeps_the_first_repair_and_each_point_is_told():
    plan = hand_plan(a_season(3))
    problem = worse(a_season(3), 3)
    told: list[Point] = []
    found = repaired(problem, plan, progress=told.append, should_stop=lambda: True)
    assert found.points == (found.fewest,) == tuple(told)


@pytest.mark.parametrize("argument", [{"cpu_seconds": 0.0}, {"trials": 0}, {"pieces": -1}])
def test_impossible_arguments_are_refused_by_name(argument):
    with pytest.raises(ValueError, match=f"^{next(iter(argument))} is"):
        repair(season(), Plan("by hand"), **argument)


@pytest.mark.parametrize(
    ("change", "name"),
    [
        (lambda: source_with_less(season(), "S9", 0), "source 'S9'"),
        (lambda: source_with_less(season(), "S1", 1001), "permille"),
        (lambda: bench_day_shortened(season(), "J9", 0, 0), "bench 'J9'"),
        (lambda: bench_day_shortened(season(), "J1", 0, -1), "op_minutes"),
        (lambda: batch_later(season(), "B9", 1), "booking 'B9'"),
    ],
)
def test_changes_of_what_is_not_there_are_refused(change, name):
    with pytest.raises(ValueError, match=name):
        change()


def test_a_changed_fact_changes_nothing_else():
    before = season()
    after = bench_day_shortened(before, "J1", 2, 50)
    shorter = next(day for day in after.benches[0].days if day.day == 2)
    assert (shorter.op_minutes, shorter.max_queens, shorter.collect_drones, shorter.co2_capacity) == (50, 5, 100, 20)
    assert replace(after, benches=before.benches) == before
    later: Booking = batch_later(before, "B1", 2).bookings[0]
    assert later == replace(before.bookings[0], emerge=before.bookings[0].emerge + 2)


def test_queens_that_are_not_asked_for_any_more_lose_nothing():
    told = (Placement("B1", "J1", 1, 4, source="S1"), Placement("B2", "J1", 2, 4, source="S1"))
    plan = Plan("by hand", told, (), co2_of(season(), told))
    found = repaired(season(bookings=[booking("B1", queens=3)]), plan)
    assert (found.told, found.fewest.moved, found.fewest.served) == (3, 0, 3)


def test_every_change_is_found_with_its_place():
    before = season()
    new = replace(before.bookings[0], id="B3", queens=2)
    changes = [
        (source_with_less(before, "S1", 0), Change("source_lost", source="S1")),
        (source_with_less(before, "S2", 500), Change("source_less", 500, source="S2")),
        (bench_day_shortened(before, "J1", 2, 0), Change("day_closed", 10, bench="J1", day=2)),
        (bench_day_shortened(before, "J1", 2, 60), Change("day_shorter", 40, bench="J1", day=2)),
        (batch_later(before, "B1", 2), Change("batch_later", 2, booking="B1")),
        (batch_later(before, "B1", -1), Change("batch_earlier", 1, booking="B1")),
        (with_bookings(before, (new,)), Change("booking_new", 2, booking="B3")),
        (replace(before, bookings=before.bookings[1:]), Change("booking_gone", 4, booking="B1")),
        (
            season(bookings=[booking("B1", queens=6), booking("B2", member="M2")]),
            Change("queens_more", 2, booking="B1"),
        ),
        (
            season(bookings=[booking("B1", queens=1), booking("B2", member="M2")]),
            Change("queens_fewer", 3, booking="B1"),
        ),
        (
            season(
                bookings=[booking("B1", excluded=[{"id": "S1", "reason": "health_hold"}]), booking("B2", member="M2")]
            ),
            Change("source_excluded", 1, source="S1"),
        ),
    ]
    for after, change in changes:
        assert changes_between(before, after) == [change]
    assert changes_between(before, before) == []


def test_a_smaller_share_of_one_source_is_a_change_and_a_larger_one_is_none():
    before = season(sources=[source("S1", share_cap_permille=500), source("S2")])
    after = season(sources=[source("S1", share_cap_permille=400), source("S2")])
    assert changes_between(before, after) == [Change("source_capped", 400, source="S1")]
    assert changes_between(after, before) == []
    assert changes_between(season(), after) == [Change("source_capped", 400, source="S1")]


def test_a_source_capped_after_publishing_gives_way_and_others_stay():
    told = solve(season(), goal="served", cpu_seconds=2)
    capped = season(sources=[source("S1"), source("S2", share_cap_permille=250)])
    found = repair(capped, told, cpu_seconds=2)
    for point in found.points:
        assert check(capped, point.plan) == []
    assert found.most.served == 8
    volumes = Ledger(capped, found.most.plan).source_volumes()
    assert 4 * volumes.get("S2", 0) <= sum(volumes.values())


def test_a_day_for_co2_alone_is_no_bench_day_lost():
    days = [bench_day(0), bench_day(1, max_queens=0), bench_day(2)]
    before = season(benches=[{"id": "J1", "days": days}])
    after = season(benches=[{"id": "J1", "days": [days[0], days[2]]}])
    assert changes_between(before, after) == []


def test_a_day_later_nothing_but_the_day_has_changed():
    before = season()
    days = [bench_day(day) for day in range(3)]
    later = season(
        benches=[{"id": "J1", "days": days}],
        bookings=[booking("B1", emerge=-8), booking("B2", member="M2", emerge=-8)],
    )
    assert changes_between(before, later, days_later=1) == []
