"""Every reason is true: take the named block away and the queen has a place."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from fractions import Fraction
from itertools import combinations

import pytest

from scheduling.planning.baseline import hand_plan
from scheduling.planning.checker import check, check_move
from scheduling.planning.moves import Move, co2_of
from scheduling.planning.plan import Part, Plan, Pool, Reason
from scheduling.planning.problem import BenchDay, Booking, Placement, Problem
from scheduling.planning.reasons import REASONS, Explainer, explained
from scheduling.planning.solver import solve

from .seasons import bench_day, booking, random_season, season, source

BEFORE_PLANNING = {"no_bench_day", "no_source", "sources_excluded", "no_ripe_source", "too_few_sources", "no_co2"}


def lifted(problem: Problem, reason: Reason, asked: str) -> Problem:
    """Return the problem with just what the reason names given: the amounts it names, at the place it names."""
    for one in (reason, *reason.also):
        problem = _lifted(problem, one, asked)
    return problem


def _lifted(problem: Problem, reason: Reason, asked: str) -> Problem:
    numbers = reason.numbers
    bench, day, missing = str(numbers["bench"]), int(numbers["day"]), int(numbers["missing"])
    if reason.key == "share":
        capped = next(entry for entry in problem.sources if entry.id == str(numbers["source"]))
        cap = problem.share_cap(capped) + missing
        sources = tuple(replace(s, share_cap_permille=cap) if s is capped else s for s in problem.sources)
        least = max(cap, problem.rules.max_source_share_permille)
        return replace(problem, sources=sources, rules=replace(problem.rules, max_source_share_permille=least))
    if reason.key == "one_source":
        bookings = tuple(replace(b, mode="each") if b.id == asked else b for b in problem.bookings)
        return replace(problem, bookings=bookings)
    if reason.key == "stock":
        return _with_drones(problem, str(numbers["source"]), day, missing)
    at = day + 1 if reason.key == "co2" else day
    field = {"minutes": "op_minutes", "places": "max_queens", "collect": "collect_drones", "co2": "co2_capacity"}
    name = field[reason.key]
    benches = []
    for entry in problem.benches:
        days = {limits.day: limits for limits in entry.days}
        if entry.id == bench:
            limits = days.get(at, BenchDay(at, 0, 0, 0, 0))
            days[at] = replace(limits, **{name: getattr(limits, name) + missing})
        benches.append(replace(entry, days=tuple(days[day] for day in sorted(days))))
    return replace(problem, benches=tuple(benches))


def _with_drones(problem: Problem, source: str, day: int, drones: int) -> Problem:
    """Return the problem with so many more drones of the source, taken on that day, in one of its cohorts."""
    sources = []
    for entry in problem.sources:
        cohorts = list(entry.cohorts)
        if entry.id == source:
            at = next(i for i, cohort in enumerate(cohorts) if cohort.first_day <= day <= cohort.last_day)
            more = drones * problem.weights[day]
            cohorts[at] = replace(cohorts[at], stock_eq=cohorts[at].stock_eq + more)
        sources.append(replace(entry, cohorts=tuple(cohorts)))
    return replace(problem, sources=tuple(sources))


def with_one_more(problem: Problem, plan: Plan, asked: Booking, bench: str, day: int) -> Iterator[Plan]:
    """Yield every plan with one more queen of the booking in that session, from one source or a plain pool."""
    names = [entry.id for entry in asked.sources]
    if asked.mode != "pool":
        for name in names:
            yield _seated(problem, plan, Placement(asked.id, bench, day, 1, source=name), plan.pools)
        return
    count = max(asked.min_sources, -(-1000 // asked.part_cap_permille))
    for chosen in combinations(names, count):
        new = Pool("new", bench, day, tuple(Part(name, asked.ul10 / count) for name in chosen))
        yield _seated(problem, plan, Placement(asked.id, bench, day, 1, pool="new"), (*plan.pools, new))
    for pool in plan.pools:
        total = sum(part.ul10 for part in pool.parts)
        parts = tuple(Part(part.source, part.ul10 * (total + asked.ul10) / total) for part in pool.parts)
        pools = tuple(replace(pool, parts=parts) if other is pool else other for other in plan.pools)
        yield _seated(problem, plan, Placement(asked.id, bench, day, 1, pool=pool.id), pools)


def _seated(problem: Problem, plan: Plan, more: Placement, pools: tuple[Pool, ...]) -> Plan:
    assign = (*plan.assign, more)
    return replace(plan, assign=assign, pools=pools, co2=co2_of(problem, assign))


@pytest.mark.parametrize("seed", range(60, 90))
@pytest.mark.parametrize("by_hand", [True, False])
def test_every_reason_is_true_giving_what_it_names_makes_the_place_possible(seed: int, by_hand: bool):
    problem = random_season(seed)
    plan = hand_plan(problem) if by_hand else solve(problem, goal="served", cpu_seconds=0.3)
    if check(problem, plan):
        return  # a season in which not even an empty plan keeps the rule of the fewest sources
    bookings = {entry.id: entry for entry in problem.bookings}
    for unserved in explained(problem, plan):
        assert unserved.reasons
        for reason in unserved.reasons:
            assert reason.key in REASONS
            if reason.key in BEFORE_PLANNING or reason.key == "fairness":
                continue
            wider = problem if reason.key == "room" else lifted(problem, reason, unserved.booking)
            asked = next(entry for entry in wider.bookings if entry.id == unserved.booking)
            place = str(reason.numbers["bench"]), int(reason.numbers["day"])
            found = [check(wider, more) for more in with_one_more(wider, plan, asked, *place)]
            assert [] in found, (reason, found)
            if reason.key != "room":
                still = [check(problem, more) for more in with_one_more(problem, plan, bookings[asked.id], *place)]
                assert [] not in still or asked.mode == "pool", reason


@pytest.mark.parametrize("seed", range(60, 90))
def test_nothing_is_possible_where_the_booking_itself_is_the_reason(seed: int):
    problem = random_season(seed)
    empty = Plan(problem.name)
    free = replace(problem, rules=replace(problem.rules, max_source_share_permille=1000, min_sources=0))
    bookings = {entry.id: entry for entry in free.bookings}
    for unserved in explained(free, empty):
        if unserved.reasons[0].key not in BEFORE_PLANNING:
            continue
        places = ((bench.id, limits.day) for bench in free.benches for limits in bench.days)
        tried = [
            check(free, more)
            for place in places
            for more in with_one_more(free, empty, bookings[unserved.booking], *place)
        ]
        assert [] not in tried


def test_a_place_lost_to_fairness_is_one_that_fits_once_the_other_leaves():
    seen = 0
    for seed in range(60, 110):
        problem = random_season(seed, bookings=7)
        plan = hand_plan(problem)
        if check(problem, plan):
            continue
        explainer = Explainer(problem, plan)
        asked = {m.id: sum(b.queens for b in problem.bookings if b.member == m.id) for m in problem.members}
        member_of = {entry.id: entry.member for entry in problem.bookings}
        served = dict.fromkeys(asked, 0)
        for placement in plan.assign:
            served[member_of[placement.booking]] += placement.queens
        for entry in problem.bookings:
            passed = explainer.passed(entry)
            if passed is None or entry.mode == "pool" or passed.holder.pool is not None:
                continue
            seen += 1
            other = member_of[passed.holder.booking]
            assert passed.own == Fraction(served[entry.member], asked[entry.member])
            assert passed.other == Fraction(served[other] - 1, asked[other]) < passed.own
            less = replace(passed.holder, queens=passed.holder.queens - 1)
            assign = [less if p == passed.holder else p for p in plan.assign if p != passed.holder or less.queens]
            without = replace(plan, assign=tuple(assign), co2=co2_of(problem, assign))
            move = Move(entry.id, passed.place.bench, passed.place.day, 1, source=passed.place.source)
            found = check_move(problem, without, move)
            assert [violation.rule for violation in found if violation.rule != "queens"] == []
    assert seen >= 5


def test_who_stands_there_instead_is_not_named():
    days = [bench_day(0), bench_day(1, max_queens=4), bench_day(2, op_minutes=0)]
    both = [booking("B1", queens=4), booking("B2", queens=4, member="M2")]
    problem = season(benches=[{"id": "J1", "days": days[1:]}], bookings=both)
    first = Placement("B1", "J1", 1, 3, source="S1")
    assign = (first, Placement("B2", "J1", 1, 1, source="S1"))
    plan = Plan("by hand", assign, co2=co2_of(problem, assign))
    told = {entry.booking: entry.reasons for entry in explained(problem, plan)}
    assert [reason.key for reason in told["B1"]] == ["places", "fairness"]
    assert told["B1"][-1].numbers == {"bench": "J1", "day": 1, "own_permille": 750, "other_permille": 0}
    assert "fairness" not in [reason.key for reason in told["B2"]]


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
