"""The checker finds each broken rule, with its place and amount, and nothing else."""

from __future__ import annotations

import time
from dataclasses import replace

import pytest

from scheduling.planning.checker import Violation, check, check_move
from scheduling.planning.moves import Move, plan_after_move
from scheduling.planning.plan import Co2, Part, Plan, Pool
from scheduling.planning.problem import Placement
from scheduling.planning.solver import solve

from .seasons import bench_day, booking, random_season, season, source


def direct(queens: int = 4, *, day: int = 1, name: str = "B1", source: str = "S1") -> Placement:
    return Placement(name, "J1", day, queens, source=source)


def plan(*placements: Placement, pools: tuple[Pool, ...] = (), co2: tuple[Co2, ...] | None = None) -> Plan:
    if co2 is None:
        queens: dict[int, int] = {}
        for placement in placements:
            queens[placement.day] = queens.get(placement.day, 0) + placement.queens
        co2 = tuple(Co2("J1", day, n, 0) for day, n in queens.items())
    return Plan("by hand", placements, pools, co2)


def test_a_good_plan_has_no_violation():
    assert check(season(), plan(direct(), direct(name="B2", source="S2"))) == []


def test_an_empty_plan_breaks_only_the_least_number_of_sources():
    assert check(season(), Plan("by hand")) == []
    strict = season(rules={"min_sources": 2})
    assert check(strict, Plan("by hand")) == [Violation("min_sources", 2)]


@pytest.mark.parametrize(
    ("placement", "expected"),
    [
        (direct(5), Violation("queens", 1, "B1")),
        (direct(source="S9"), Violation("unknown_source", 4, "B1", "J1", 1, "S9")),
        (direct(name="B9"), Violation("unknown_booking", 4, "B9", "J1", 1)),
        (replace(direct(), source=None, pool="P"), Violation("unknown_pool", 4, "B1", "J1", 1, None, "P")),
    ],
)
def test_a_wrong_placement_is_told(placement: Placement, expected: Violation):
    assert expected in check(season(), plan(placement))


@pytest.mark.parametrize(
    ("changes", "placement", "expected"),
    [
        ({"emerge": -2, "age_min": 5}, direct(), Violation("age_low", 2, "B1", "J1", 1)),
        ({"emerge": -20}, direct(), Violation("age_high", 7, "B1", "J1", 1)),
        ({"benches": []}, direct(), Violation("bench", 4, "B1", "J1", 1)),
        ({"sources": [{"id": "S2", "merit": 1}]}, direct(), Violation("not_accepted", 4, "B1", "J1", 1, "S1")),
        ({"excluded": [{"id": "S1"}]}, direct(), Violation("excluded", 4, "B1", "J1", 1, "S1")),
    ],
)
def test_a_booking_that_may_not_stand_there_is_told(changes, placement, expected):
    found = check(season(bookings=[booking("B1", **changes)]), plan(placement, co2=(Co2("J1", 1, 0, 4),)))
    assert found == [expected]


def test_a_batch_of_mode_one_must_have_one_source():
    problem = season(bookings=[booking("B1", mode="one")])
    assert check(problem, plan(direct(2), direct(2, source="S2"))) == [Violation("one_source", 1, "B1")]


@pytest.mark.parametrize(
    ("limits", "expected"),
    [
        ({"op_minutes": 29}, Violation("minutes", 1, bench="J1", day=1)),
        ({"max_queens": 3}, Violation("places", 1, bench="J1", day=1)),
        # 4 queens of 8 µl: 320 · 200 md + 4000 md = 68 drones
        ({"collect_drones": 67}, Violation("collect", 1000, bench="J1", day=1)),
        ({"op_minutes": 0}, Violation("closed", 4, bench="J1", day=1)),
    ],
)
def test_a_session_that_is_too_full_is_told(limits, expected):
    days = [bench_day(0), bench_day(1, **limits), bench_day(2)]
    assert check(season(benches=[{"id": "J1", "days": days}]), plan(direct())) == [expected]


def test_a_source_that_is_not_brought_there_is_told():
    problem = season(sources=[source("S1", benches=[]), source("S2")])
    assert check(problem, plan(direct())) == [Violation("not_at_bench", 4, "B1", "J1", 1, "S1")]


@pytest.mark.parametrize(
    ("co2", "expected"),
    [
        ((), Violation("co2_count", 4, bench="J1", day=1)),
        ((Co2("J1", 1, 2, 1),), Violation("co2_count", 1, bench="J1", day=1)),
        ((Co2("J1", 1, 0, 4),), Violation("co2_load", 1, bench="J1", day=2)),
    ],
)
def test_co2_rounds_that_do_not_fit_are_told(co2, expected):
    days = [bench_day(0), bench_day(1), bench_day(2, co2_capacity=3)]
    assert check(season(benches=[{"id": "J1", "days": days}]), plan(direct(), co2=co2)) == [expected]


def test_a_queen_too_young_for_co2_the_day_before_is_told():
    problem = season(bookings=[booking("B1", emerge=-4)])
    assert check(problem, plan(direct())) == [Violation("co2_age", 4, bench="J1", day=1)]


def test_stock_is_taken_from_the_oldest_cohort_first():
    cohorts = [
        {"first_day": 0, "last_day": 1, "stock_eq": 68_000},
        {"first_day": 1, "last_day": 3, "stock_eq": 68_000},
    ]
    problem = season(sources=[source("S1", cohorts=cohorts), source("S2")])
    assert check(problem, plan(direct(), direct(name="B2", day=2))) == []
    short = [{**cohorts[0], "stock_eq": 60_000}, {**cohorts[1], "stock_eq": 70_000}]
    problem = season(sources=[source("S1", cohorts=short), source("S2")])
    found = check(problem, plan(direct(), direct(name="B2", day=2)))
    assert found == [Violation("stock", 6000, day=2, source="S1")]


def test_share_least_sources_and_frozen_are_told():
    frozen = [{"booking": "B1", "bench": "J1", "day": 2, "queens": 1, "source": "S1"}]
    problem = season(rules={"max_source_share_permille": 600, "min_sources": 2}, frozen=frozen)
    assert check(problem, plan(direct())) == [
        Violation("share", 128, source="S1"),
        Violation("min_sources", 1),
        Violation("frozen", 1, "B1", "J1", 2, "S1"),
    ]


def test_a_source_has_a_share_of_its_own_beside_the_one_for_all():
    both = plan(direct(), direct(name="B2", source="S2"))
    capped = season(sources=[source("S1", share_cap_permille=400), source("S2")])
    # Half of 640 is 64 more than two fifths of it.
    assert check(capped, both) == [Violation("share", 64, source="S1")]
    wider = season(
        rules={"max_source_share_permille": 450}, sources=[source("S1", share_cap_permille=900), source("S2")]
    )
    assert [(v.rule, v.source, v.amount) for v in check(wider, both)] == [("share", "S1", 32), ("share", "S2", 32)]
    assert check(season(sources=[source("S1", share_cap_permille=500), source("S2")]), both) == []


def pooled(*parts: Part, queens: int = 4) -> Plan:
    placement = Placement("B1", "J1", 1, queens, pool="P1")
    return plan(placement, pools=(Pool("P1", "J1", 1, parts),))


POOLING = {"mode": "pool", "pool": "P", "min_sources": 2, "part_cap_permille": 500}


@pytest.mark.parametrize(
    ("parts", "rules"),
    [
        ((Part("S1", 160), Part("S2", 160)), []),
        ((Part("S1", 159.5), Part("S2", 159.5)), ["pool_volume"]),
        ((Part("S1", 161), Part("S2", 159)), ["pool_cap"]),
        ((Part("S1", 320), Part("S2", 0)), ["pool_parts", "pool_cap"]),
        ((Part("S9", 160), Part("S2", 160)), ["unknown_source", "not_accepted"]),
    ],
)
def test_a_pool_keeps_volume_parts_and_cap(parts, rules):
    problem = season(bookings=[booking("B1", **POOLING)])
    assert [violation.rule for violation in check(problem, pooled(*parts))] == rules


def test_a_pool_of_another_day_or_of_bookings_that_do_not_share_is_told():
    problem = season(bookings=[booking("B1", **POOLING), booking("B2", **{**POOLING, "pool": "Q"})])
    parts = (Part("S1", 320), Part("S2", 320))
    both = plan(
        Placement("B1", "J1", 1, 4, pool="P1"),
        Placement("B2", "J1", 1, 4, pool="P1"),
        pools=(Pool("P1", "J1", 1, parts),),
    )
    assert [violation.rule for violation in check(problem, both)] == ["pool_sharing"]
    other_day = plan(Placement("B1", "J1", 2, 4, pool="P1"), pools=(Pool("P1", "J1", 1, parts),))
    assert "pool_session" in {violation.rule for violation in check(problem, other_day)}


def test_the_set_up_of_a_pool_counts_once_more():
    days = [bench_day(0), bench_day(1, op_minutes=49), bench_day(2)]
    problem = season(benches=[{"id": "J1", "days": days}], bookings=[booking("B1", **POOLING)])
    found = check(problem, pooled(Part("S1", 160), Part("S2", 160)))
    assert found == [Violation("minutes", 1, bench="J1", day=1)]  # 4 · 5 + 3 · 10


def test_a_hand_move_names_only_what_it_breaks_anew():
    days = [bench_day(0), bench_day(1), bench_day(2, max_queens=3), bench_day(3)]
    problem = season(benches=[{"id": "J1", "days": days}])
    before = plan(direct(), direct(3, name="B2", day=2, source="S2"))
    to_full = Move("B1", "J1", 2, 1, source="S1", taken_from=direct())
    assert check_move(problem, before, to_full) == [Violation("places", 1, bench="J1", day=2)]
    free = Move("B1", "J1", 3, 2, source="S2", taken_from=direct())
    assert check_move(problem, before, free) == []
    assert check(problem, plan_after_move(problem, before, free)) == []


def test_a_hand_move_takes_its_share_of_the_pool_along():
    problem = season(bookings=[booking("B1", **POOLING)])
    before = pooled(Part("S1", 160), Part("S2", 160))
    move = Move("B1", "J1", 2, 1, pool="P2", taken_from=before.assign[0])
    after = plan_after_move(problem, before, move)
    assert check(problem, after) == []
    assert {pool.id: sum(part.ul10 for part in pool.parts) for pool in after.pools} == {"P1": 240, "P2": 80}


def test_a_hand_move_takes_no_more_queens_than_there_are():
    with pytest.raises(ValueError, match="holds 4 queens"):
        plan_after_move(season(), plan(direct()), Move("B1", "J1", 2, 5, source="S1", taken_from=direct()))


@pytest.mark.parametrize("seed", range(8))
def test_checking_a_move_agrees_with_checking_the_whole_plan(seed: int):
    problem = random_season(seed)
    before = solve(problem, goal="served", cpu_seconds=0.3)
    if check(problem, before) or not before.assign:
        pytest.skip("this draw has no plan")
    placement = before.assign[0]
    for bench in problem.benches:
        for day in range(problem.days):
            target = {"pool": placement.pool and "new", "source": placement.source}
            move = Move(placement.booking, bench.id, day, 1, target["source"], target["pool"], placement)
            expected = check(problem, plan_after_move(problem, before, move))
            assert set(check_move(problem, before, move)) == set(expected)


def test_a_hand_move_is_checked_quickly():
    problem = random_season(1, bookings=150, days=40, sources=20)
    before = solve(problem, goal="served", cpu_seconds=1.0)
    placement = next(entry for entry in before.assign if entry.source)
    move = Move(placement.booking, placement.bench, placement.day, 1, placement.source, None, placement)
    began = time.process_time()
    check_move(problem, before, move)
    assert time.process_time() - began < 0.25  # the promise is 50 ms; a busy machine gets five times that
