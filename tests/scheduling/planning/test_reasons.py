"""Every reason is true: take the named block away and the queen has a place."""

from __future__ import annotations

from dataclasses import replace

import pytest

from scheduling.planning.checker import check_move
from scheduling.planning.moves import Move
from scheduling.planning.plan import Plan, Reason
from scheduling.planning.problem import Problem
from scheduling.planning.reasons import REASONS, Explainer, explained
from scheduling.planning.solver import solve

from .seasons import bench_day, booking, random_season, season, source


def lifted(problem: Problem, reason: Reason) -> Problem:
    """Return the problem with just what the reason names given."""
    numbers = reason.numbers
    bench, day, missing = numbers["bench"], numbers["day"], int(numbers["missing"])

    def changed(limits):
        if limits.day != day:
            return limits
        if reason.key == "minutes":
            return replace(limits, op_minutes=limits.op_minutes + missing)
        if reason.key == "places":
            return replace(limits, max_queens=limits.max_queens + missing)
        if reason.key == "collect":
            return replace(limits, collect_drones=limits.collect_drones + missing)
        return limits

    benches = tuple(
        replace(entry, days=tuple(changed(limits) for limits in entry.days)) if entry.id == bench else entry
        for entry in problem.benches
    )
    sources = problem.sources
    if reason.key == "stock":
        weight = problem.weights[int(day)]
        sources = tuple(
            replace(
                entry,
                cohorts=tuple(
                    replace(cohort, stock_eq=cohort.stock_eq + missing * weight)
                    if cohort.first_day <= int(day) <= cohort.last_day
                    else cohort
                    for cohort in entry.cohorts
                ),
            )
            if entry.id == numbers["source"]
            else entry
            for entry in sources
        )
    return replace(problem, benches=benches, sources=sources)


@pytest.mark.parametrize("seed", range(60, 80))
def test_lifting_the_single_block_named_gives_a_place(seed: int):
    problem = random_season(seed)
    plan = solve(problem, goal="served", cpu_seconds=0.4)
    assert plan.result is not None
    bookings = {entry.id: entry for entry in problem.bookings}
    for unserved in plan.result.unserved:
        for reason in unserved.reasons:
            assert reason.key in REASONS
            if reason.gain is None or reason.key not in ("minutes", "places", "collect", "stock"):
                continue
            wider = lifted(problem, reason)
            day, bench = int(reason.numbers["day"]), str(reason.numbers["bench"])
            tried = [
                check_move(wider, plan, Move(unserved.booking, bench, day, 1, source=entry.id))
                for entry in bookings[unserved.booking].sources
                if reason.numbers.get("source", entry.id) == entry.id
            ]
            assert [] in tried, (reason, tried)


@pytest.mark.parametrize("seed", range(60, 70))
def test_nobody_is_told_that_there_is_room(seed: int):
    plan = solve(random_season(seed), goal="served", cpu_seconds=0.3)
    assert plan.result is not None
    direct = {entry.id for entry in random_season(seed).bookings if entry.mode != "pool"}
    keys = {r.key for entry in plan.result.unserved if entry.booking in direct for r in entry.reasons}
    assert "room" not in keys


@pytest.mark.parametrize(
    ("changes", "key"),
    [
        ({"emerge": 50}, "no_bench_day"),
        ({"benches": []}, "no_bench_day"),
        ({"sources": []}, "no_source"),
        ({"excluded": [{"id": "S1"}, {"id": "S2"}]}, "sources_excluded"),
        ({"emerge": -3, "age_min": 4, "age_max": 4}, "no_co2"),
        ({"mode": "pool", "min_sources": 3, "part_cap_permille": 500}, "too_few_sources"),
    ],
)
def test_before_any_plan_the_booking_itself_is_the_reason(changes, key):
    days = [bench_day(1), bench_day(3)]
    problem = season(benches=[{"id": "J1", "days": [bench_day(0), *days]}], bookings=[booking("B1", **changes)])
    (unserved,) = explained(problem, Plan("by hand"))
    assert [reason.key for reason in unserved.reasons] == [key]


def test_a_source_that_is_not_ripe_in_the_window_is_said():
    late = [{"first_day": 3, "last_day": 3, "stock_eq": 1000}]
    sources = [source("S1", cohorts=late), source("S2", cohorts=late)]
    problem = season(sources=sources, bookings=[booking("B1", age_min=7, age_max=8)])
    (unserved,) = explained(problem, Plan("by hand"))
    assert [reason.key for reason in unserved.reasons] == ["no_ripe_source"]


def test_the_numbers_say_what_to_free():
    days = [bench_day(0), bench_day(1, op_minutes=28), bench_day(2, op_minutes=0)]
    problem = season(benches=[{"id": "J1", "days": days[:1] + days[1:]}], bookings=[booking("B1", emerge=-4)])
    plan = solve(problem, goal="served", cpu_seconds=1)
    assert plan.result is not None
    assert plan.result.served == 3  # 3 · 5 + 10 of 28 minutes
    (unserved,) = plan.result.unserved
    # Two places, one with each source: the one that is open lacks 2 minutes, the other 12.
    numbers: dict[str, int | str] = {"places": 2, "missing": 2, "together": 1, "bench": "J1", "day": 1}
    assert unserved.reasons == (Reason("minutes", numbers, 1),)


def test_free_places_are_those_with_nothing_in_the_way():
    problem = season(bookings=[booking("B1", queens=1)])
    places = Explainer(problem, Plan("by hand")).free_places(problem.bookings[0])
    assert places == [("J1", day, name) for day in range(4) for name in ("S1", "S2")]
