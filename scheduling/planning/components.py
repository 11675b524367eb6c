"""A season that falls into parts which share nothing: each is planned by itself, and the plans are put together."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace

from .goals import Goal
from .plan import Plan, Result
from .problem import Booking, Problem

#: Goals of which the best of the whole is the best of each part. `served_fair` asks of no part more than the lowest
#: share of the whole, so it cannot be told part by part.
SEPARABLE: tuple[Goal, ...] = ("all", "served", "fair")


def components(problem: Problem, goal: Goal = "all") -> list[Problem]:
    """Return the parts of a season, the one with the first booking first; the season itself where it is one.

    Bookings belong together when they share a member, a source, a pool, or a bench to which a source of theirs comes.
    Benches and sources that nobody asks for are in no part. Rules over the whole volume (shares, number of sources)
    hold a season together.
    """
    if goal not in SEPARABLE or _is_held_together(problem) or len(problem.bookings) < 2:
        return [problem]
    groups = _groups(problem)
    if len(groups) < 2:
        return [problem]
    return [_part(problem, set(group)) for group in groups]


def merged(problem: Problem, parts: Sequence[Problem], plans: Sequence[Plan]) -> Plan:
    """Put the plans of all parts together, with the result of the whole.

    Raises
    ------
    ValueError
        When a plan has no result.
    """
    results = [plan.result for plan in plans if plan.result is not None]
    if len(results) != len(parts):
        raise ValueError("plans: each part needs a plan with its result.")
    assign, pools = [], []
    used = {placement.pool for placement in problem.frozen if placement.pool is not None}
    kept = set(used)
    for number, plan in enumerate(plans, start=1):
        names = {pool.id: _free(pool.id, number, used, kept) for pool in plan.pools}
        pools += [replace(pool, id=names[pool.id]) for pool in plan.pools]
        assign += [replace(p, pool=names[p.pool]) if p.pool is not None else p for p in plan.assign]
    return Plan(
        problem.name,
        tuple(assign),
        tuple(pools),
        tuple(co2 for plan in plans for co2 in plan.co2),
        _result(problem, results),
    )


def _is_held_together(problem: Problem) -> bool:
    rules = problem.rules
    return (
        rules.min_sources > 0
        or problem.caps_shares
        or problem.aims_at_shares
        or (rules.max_source_share_permille < 1000)
    )


def _groups(problem: Problem) -> list[list[str]]:
    """Ids of the bookings that hang together, in the order of the season."""
    parent: dict[str, str] = {}

    def root(name: str) -> str:
        while parent.setdefault(name, name) != name:
            parent[name] = parent[parent[name]]
            name = parent[name]
        return name

    comes_to = {source.id: set(source.benches) for source in problem.sources}
    for booking in problem.bookings:
        things = [
            f"member {booking.member}",
            *(f"bench {bench}" for bench in _reached(booking, comes_to)),
            *(f"source {accepted.id}" for accepted in booking.sources),
            *([f"pool {booking.pool}"] if booking.pool is not None else []),
        ]
        for thing in things:
            parent[root(thing)] = root(f"booking {booking.id}")
    found: dict[str, list[str]] = defaultdict(list)
    for booking in problem.bookings:
        found[root(f"booking {booking.id}")].append(booking.id)
    return list(found.values())


def _reached(booking: Booking, comes_to: Mapping[str, set[str]]) -> tuple[str, ...]:
    """The benches to which a source that it accepts comes; all of its own where none does, so that it says so."""
    open_to = {bench for accepted in booking.sources for bench in comes_to[accepted.id]}
    return tuple(bench for bench in booking.benches if bench in open_to) or booking.benches


def _part(problem: Problem, bookings: set[str]) -> Problem:
    comes_to = {source.id: set(source.benches) for source in problem.sources}
    inside = tuple(
        replace(booking, benches=_reached(booking, comes_to)) for booking in problem.bookings if booking.id in bookings
    )
    benches = {bench for booking in inside for bench in booking.benches}
    sources = {accepted.id for booking in inside for accepted in booking.sources}
    sources |= {excluded.id for booking in inside for excluded in booking.excluded}
    members = {booking.member for booking in inside}
    return replace(
        problem,
        benches=tuple(bench for bench in problem.benches if bench.id in benches),
        sources=tuple(
            replace(source, benches=tuple(bench for bench in source.benches if bench in benches))
            for source in problem.sources
            if source.id in sources
        ),
        members=tuple(member for member in problem.members if member.id in members),
        bookings=inside,
        frozen=tuple(placement for placement in problem.frozen if placement.booking in bookings),
        published=tuple(placement for placement in problem.published if placement.booking in bookings),
    )


def _free(name: str, number: int, used: set[str], kept: set[str]) -> str:
    """The name a pool gets: its own where it is frozen or free."""
    found = name
    while found in used and name not in kept:
        found = f"{found}-{number}"
    used.add(found)
    return found


def _result(problem: Problem, results: Sequence[Result]) -> Result:
    served, bound = sum(one.served for one in results), sum(one.bound_served for one in results)
    unserved = {entry.booking: entry for one in results for entry in one.unserved}
    return Result(
        served=served,
        requested=problem.requested,
        fair=min((one.fair for one in results if one.bound_served), default=0.0),
        bound_served=bound,
        gap=(bound - served) / bound if bound else 0.0,
        status=_status([one.status for one in results]),
        solver=results[0].solver,
        seed=results[0].seed,
        seconds=round(sum(one.seconds for one in results), 3),
        peak_mb=max(one.peak_mb for one in results),
        unserved=tuple(unserved[booking.id] for booking in problem.bookings if booking.id in unserved),
    )


def _status(found: Iterable[str]) -> str:
    """The weakest of the parts."""
    known = set(found)
    for status in ("infeasible", "feasible", "optimal"):
        if status in known:
            return status
    return "empty"


def shared_seconds(parts: Sequence[Problem], seconds: float) -> list[float]:
    """Share CPU time by the queens asked for, so that the plan is the same whoever works out which part. [s]"""
    total = sum(part.requested for part in parts)
    return [seconds * part.requested / total for part in parts]
