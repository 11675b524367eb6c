"""Seasons that fall into parts: parts share nothing, and together they are the season."""

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from scheduling.planning.checker import check
from scheduling.planning.components import components, merged, shared_seconds
from scheduling.planning.goals import Goal
from scheduling.planning.problem import Problem
from scheduling.planning.solver import solve

from .seasons import bench_day, booking, random_season, season, source


def renamed(problem: Problem, mark: str) -> Problem:
    """The same season somewhere else: other benches, sources, members, bookings, pools."""

    def new(name: str) -> str:
        return f"{mark}{name}"

    return replace(
        problem,
        benches=tuple(replace(bench, id=new(bench.id)) for bench in problem.benches),
        sources=tuple(
            replace(s, id=new(s.id), benches=tuple(map(new, s.benches)), share_cap_permille=None)
            for s in problem.sources
        ),
        members=tuple(replace(member, id=new(member.id)) for member in problem.members),
        bookings=tuple(
            replace(
                b,
                id=new(b.id),
                member=new(b.member),
                benches=tuple(map(new, b.benches)),
                sources=tuple(replace(a, id=new(a.id)) for a in b.sources),
                excluded=tuple(replace(e, id=new(e.id)) for e in b.excluded),
                pool=new(b.pool) if b.pool is not None else None,
            )
            for b in problem.bookings
        ),
        rules=replace(problem.rules, max_source_share_permille=1000, min_sources=0),
    )


def side_by_side(first: Problem, second: Problem) -> Problem:
    return replace(
        first,
        benches=first.benches + second.benches,
        sources=first.sources + second.sources,
        members=first.members + second.members,
        bookings=first.bookings + second.bookings,
    )


def test_two_benches_that_share_nothing_are_two_seasons() -> None:
    days = [bench_day(day) for day in range(4)]
    problem = season(
        benches=[{"id": "J1", "days": days}, {"id": "J2", "days": days}],
        sources=[source("S1"), source("S2", benches=["J2"]), source("S3")],
        bookings=[
            booking("B1", sources=[{"id": "S1"}]),
            booking("B2", member="M2", sources=[{"id": "S2"}], benches=["J2"]),
        ],
    )
    first, second = components(problem)
    assert [b.id for b in first.bookings] == ["B1"]
    assert ([s.id for s in second.sources], [b.id for b in second.benches]) == (["S2"], ["J2"])
    assert [m.id for m in first.members] == ["M1"]
    together = replace(problem, bookings=tuple(replace(b, member="M1") for b in problem.bookings))
    assert components(together) == [together], "a member's share is told over all of it"


@pytest.mark.parametrize("rules", [{"max_source_share_permille": 700}, {"min_sources": 1, "min_source_ul10": 80}])
def test_rules_over_the_whole_volume_hold_a_season_together(rules: dict[str, int]) -> None:
    free = side_by_side(renamed(season(), "a"), renamed(season(), "b"))
    held = replace(free, rules=replace(free.rules, **rules))
    assert (len(components(free)), components(held)) == (2, [held])
    capped = replace(free, sources=(replace(free.sources[0], share_cap_permille=500), *free.sources[1:]))
    assert components(capped) == [capped]


def test_the_lowest_share_of_the_whole_is_not_asked_of_each_part() -> None:
    problem = side_by_side(renamed(season(), "a"), renamed(season(), "b"))
    assert components(problem, "served_fair") == [problem]


@settings(max_examples=8)
@given(st.integers(0, 10**6), st.sampled_from(["served", "all", "fair"]))
def test_plans_of_parts_together_are_a_plan_of_the_season(seed: int, goal: Goal) -> None:
    problem = side_by_side(renamed(random_season(seed), "a"), renamed(random_season(seed + 1, days=6), "b"))
    parts = components(problem, goal)
    seconds = shared_seconds(parts, 0.8)
    assert sum(seconds) == pytest.approx(0.8)
    plan = merged(problem, parts, [solve(p, goal=goal, cpu_seconds=s) for p, s in zip(parts, seconds, strict=True)])
    result = plan.result
    assert result is not None
    if result.status != "infeasible":
        assert check(problem, plan) == []
    assert result.served == sum(placement.queens for placement in plan.assign) <= result.bound_served
    assert result.served + sum(entry.queens for entry in result.unserved) == problem.requested
    whole = solve(problem, goal=goal, cpu_seconds=1).result
    assert whole is not None
    if (result.status, whole.status) == ("optimal", "optimal") and goal == "served":
        assert result.served == whole.served


def test_pools_of_two_parts_get_two_names() -> None:
    pooled = [booking("B1", mode="pool", min_sources=2, part_cap_permille=600, pool="P")]
    one = season(bookings=pooled, members=[{"id": "M1"}])
    problem = side_by_side(renamed(one, "a"), renamed(one, "b"))
    parts = components(problem)
    plans = [solve(part, cpu_seconds=1) for part in parts]
    assert [len(plan.pools) for plan in plans] == [1, 1]
    same = [
        replace(
            p, pools=tuple(replace(q, id="X") for q in p.pools), assign=tuple(replace(a, pool="X") for a in p.assign)
        )
        for p in plans
    ]
    plan = merged(problem, parts, same)
    assert len({pool.id for pool in plan.pools}) == 2
    assert check(problem, plan) == []
