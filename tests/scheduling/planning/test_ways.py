"""Every way out is true: with just what it names given, so many queens more fit and every rule is kept."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import pytest

from scheduling.planning.baseline import hand_plan
from scheduling.planning.blocks import Room, seated
from scheduling.planning.checker import check
from scheduling.planning.plan import Plan, Reason
from scheduling.planning.problem import Accepted, BenchDay, Booking, Problem
from scheduling.planning.reasons import Explainer, explained
from scheduling.planning.relaxing import item_of, relaxed, with_sessions, worked_out
from scheduling.planning.ways import WAYS, WaysOut, season_ways

from .seasons import bench_day, booking, random_season, season, source

SEEDS = range(200, 240)


def with_way(problem: Problem, way: Reason, asked: Booking) -> Problem:
    """Return the problem with what the way names given, and nothing else."""
    numbers, missing = way.numbers, int(way.numbers.get("missing", 0))
    if way.key in ("lower_dose", "split_batch", "accept_source"):
        changed = asked
        if way.key == "split_batch":
            changed = replace(asked, mode="each")
        if way.key == "accept_source":
            changed = replace(asked, sources=(*asked.sources, Accepted(str(numbers["source"]))))
        bookings = tuple(changed if b.id == asked.id else b for b in problem.bookings)
        if way.key == "lower_dose":  # for the queens without a place: those that have one keep theirs
            rest = replace(asked, id="rest", ul10=int(numbers["ul10"]))
            bookings = (*bookings, rest)
        return replace(problem, bookings=bookings)
    if way.key == "open_session":
        opened = with_sessions(problem, [(str(numbers["bench"]), int(numbers["day"]))])
        limits = Room(opened, Plan("")).ledger.bench_days[str(numbers["bench"]), int(numbers["day"])]
        told = tuple(numbers[name] for name in ("minutes", "places", "drones"))
        assert told == (limits.op_minutes, limits.max_queens, limits.collect_drones)
        return opened
    if way.key == "more_co2":
        return _more_co2(problem, str(numbers["bench"]), int(numbers["day"]) + 1, missing)
    item = item_of(problem, way)
    assert item is not None
    return relaxed(
        problem, item, missing * problem.weights[int(numbers["day"])] if way.key == "more_drones" else missing
    )


def _more_co2(problem: Problem, bench: str, day: int, more: int) -> Problem:
    benches = []
    for entry in problem.benches:
        days = {limits.day: limits for limits in entry.days}
        if entry.id == bench:
            limits = days.get(day, BenchDay(day, 0, 0, 0, 0))
            days[day] = replace(limits, co2_capacity=limits.co2_capacity + more)
        benches.append(replace(entry, days=tuple(days[d] for d in sorted(days))))
    return replace(problem, benches=tuple(benches))


def plans_with(problem: Problem, plan: Plan, asked: Booking, way: Reason) -> Iterator[Plan]:
    room = Room(problem, plan)
    for place in room.places(asked):
        if place.day == way.numbers["day"] and place.bench == way.numbers["bench"]:
            yield seated(problem, plan, asked, place, way.gain or 0)


def others(problem: Problem, asked: Booking) -> list[str]:
    known = {entry.id for entry in asked.sources} | {entry.id for entry in asked.excluded}
    return [source.id for source in problem.sources if source.id not in known]


@pytest.mark.parametrize("seed", SEEDS)
def test_every_way_gives_the_queens_it_promises(seed: int):
    problem = random_season(seed)
    plan = hand_plan(problem)
    if check(problem, plan):
        return
    bookings = {entry.id: entry for entry in problem.bookings}
    acceptable = {entry.id: others(problem, entry) for entry in problem.bookings}
    ways = WaysOut(Explainer(problem, plan), acceptable)
    for unserved in explained(problem, plan):
        asked = bookings[unserved.booking]
        for way in ways.of(asked, unserved.queens):
            assert way.key in WAYS
            assert 1 <= (way.gain or 0) <= unserved.queens
            wider = with_way(problem, way, asked)
            name = "rest" if way.key == "lower_dose" else asked.id
            changed = next(entry for entry in wider.bookings if entry.id == name)
            found = [check(wider, more) for more in plans_with(wider, plan, changed, way)]
            assert [] in found, (way, found)


@pytest.mark.parametrize("seed", SEEDS)
def test_a_way_for_the_whole_season_is_shown_by_a_plan_that_keeps_every_rule(seed: int):
    problem = random_season(seed, bookings=8)
    plan = hand_plan(problem)
    if check(problem, plan):
        return
    explainer = Explainer(problem, plan)
    ways = WaysOut(explainer)
    left = {b.id: b.queens - explainer.placed(b) for b in problem.bookings}
    for told in season_ways(ways, most=9):
        item = item_of(problem, told)
        assert item is not None
        asking = [b for b in problem.bookings if any(item_of(problem, w) == item for w in ways.all_of(b, left[b.id]))]
        result = worked_out(problem, plan, item, asking, left)
        assert result is not None
        way, shown = result
        assert way == told
        numbers = way.numbers
        more = int(numbers.get("missing", 0))
        if way.key == "more_drones":
            more *= problem.weights[int(numbers["day"])]
        assert check(relaxed(problem, item, more), shown) == []
        served = sum(p.queens for p in plan.assign)
        assert sum(p.queens for p in shown.assign) == served + (way.gain or 0)
        kept = {(p.booking, p.bench, p.day, p.source, p.pool): p.queens for p in shown.assign}
        assert all(kept[p.booking, p.bench, p.day, p.source, p.pool] >= p.queens for p in plan.assign)


def test_a_wider_share_is_the_sources_own_where_that_one_binds():
    problem = season(
        rules={"max_source_share_permille": 900},
        sources=[source("S1", share_cap_permille=400), source("S2", cohorts=[])],
        bookings=[booking("B1"), booking("B2", member="M2", sources=[{"id": "S2"}])],
    )
    nobody = Plan(problem.name)
    ways = WaysOut(Explainer(problem, nobody)).of(problem.bookings[0], 4)
    assert [way.key for way in ways] == []  # alone it would give all semen, more than any source may
    for_all = replace(problem, rules=replace(problem.rules, max_source_share_permille=1000))
    [way] = WaysOut(Explainer(for_all, nobody)).of(for_all.bookings[0], 4)
    assert (way.key, way.gain, way.numbers["source"], way.numbers["permille"]) == ("wider_share", 4, "S1", 1000)
    assert item_of(for_all, way) == ("wider_share", "S1", 0)
    own = next(s for s in relaxed(for_all, ("wider_share", "S1", 0), 100).sources if s.id == "S1")
    assert own.share_cap_permille == 500


def test_the_dose_is_lowered_only_as_far_as_it_has_to_be_and_never_below_the_least():
    days = [bench_day(0), bench_day(1, collect_drones=28), bench_day(2, op_minutes=0)]
    asked = booking("B1", emerge=-4, ul10=120, queens=1)
    problem = season(benches=[{"id": "J1", "days": days}], bookings=[asked])
    # 4 drones to begin with and 0.2 for a tenth of a µl: 28 drones give 12 µl, one more drone missing gives 11.5.
    assert explained(problem, Plan("by hand"))[0].reasons[0].key == "room"
    tight = season(
        benches=[{"id": "J1", "days": [days[0], bench_day(1, collect_drones=27), days[2]]}], bookings=[asked]
    )
    ways = {way.key: way for way in WaysOut(Explainer(tight, Plan("by hand"))).of(tight.bookings[0], 1)}
    assert (ways["lower_dose"].numbers["ul10"], ways["lower_dose"].gain) == (115, 1)
    none = season(benches=[{"id": "J1", "days": [days[0], bench_day(1, collect_drones=19), days[2]]}], bookings=[asked])
    keys = {way.key for way in WaysOut(Explainer(none, Plan("by hand"))).of(none.bookings[0], 1)}
    assert "lower_dose" not in keys


def test_a_source_is_proposed_only_when_the_breeder_would_accept_it():
    asked = booking("B1", sources=[{"id": "S1", "merit": 1}])
    problem = season(
        sources=[
            {"id": "S1", "md_per_ul10": 200, "md_fixed": 4000, "benches": ["J1"], "cohorts": []},
            *[
                {"id": name, "md_per_ul10": 200, "md_fixed": 4000, "benches": ["J1"],
                 "cohorts": [{"first_day": 0, "last_day": 3, "stock_eq": 200_000}]}
                for name in ("S2", "S3")
            ],
        ],
        bookings=[asked],
    )  # fmt: skip
    explainer = Explainer(problem, Plan("by hand"))
    assert WaysOut(explainer).of(problem.bookings[0], 4) == ()
    (way,) = WaysOut(explainer, {"B1": ["S3"]}).of(problem.bookings[0], 4)
    assert (way.key, way.numbers["source"], way.gain) == ("accept_source", "S3", 4)
