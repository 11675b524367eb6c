"""Very large seasons: planned some days at a time, with a look ahead, from the first day to the last.

Each window is a season of its own with what the days before have left of drones, queens and CO2 rounds. Only its
first days are kept; the others are there so that they are not robbed. Memory and time are those of one window.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterator
from dataclasses import replace

from .moves import co2_of
from .plan import Plan, Pool
from .problem import Bench, BenchDay, Booking, Placement, Problem, Source

#: Days planned at a time, and how many of them are kept: a queen's window is about ten days. [d]
DAYS, STEP = 12, 8

Solve = Callable[[Problem, float, int], Plan]
_Load = dict[tuple[str, int], int]


def windows(days: int) -> Iterator[tuple[int, int, int]]:
    """Yield first day, end, and end of what is kept, until every day of the season is kept once."""
    start = 0
    while start < days:
        stop = min(days, start + DAYS)
        kept = days if stop == days else start + STEP
        yield start, stop, kept
        start = kept


def plan_in_windows(problem: Problem, solve: Solve, seconds: float) -> Plan:
    """Plan window after window.

    Parameters
    ----------
    problem : Problem
    solve : callable
        Plans a part of the season within so many seconds; told how many queens have places before it.
    seconds : float
        For all windows together; what one leaves goes to the next ones. [s]

    Returns
    -------
    Plan
        Keeps every rule of sessions, stock, CO2 rounds and bookings. Share cap and least number of sources hold for
        each window at most; whether the whole keeps them, the checker says.
    """
    sources = {source.id: source for source in problem.sources}
    placed: dict[str, list[Placement]] = {}
    load: _Load = defaultdict(int)
    assign: list[Placement] = []
    pools: list[Pool] = []
    parts = list(windows(problem.days))
    for position, (start, stop, kept) in enumerate(parts):
        part = _part(problem, sources, placed, load, start, stop)
        if not part.bookings:
            continue
        given = seconds / (len(parts) - position)
        plan = _kept(part, solve(part, given, sum(placement.queens for placement in assign)), kept)
        seconds -= given
        assign += plan.assign
        pools += plan.pools
        for entry in plan.co2:
            load[entry.bench, entry.day - 1] += entry.before
            load[entry.bench, entry.day + 1] += entry.after
        for placement in plan.assign:
            placed.setdefault(placement.booking, []).append(placement)
        for source_id, taken in _taken(part, plan).items():
            sources[source_id] = _less(sources[source_id], taken, problem.weights)
    assign.sort(key=lambda a: (a.day, a.bench, a.booking, a.source or "", a.pool or ""))
    pools.sort(key=lambda pool: (pool.day, pool.bench, pool.id))
    return Plan(problem.name, tuple(assign), tuple(pools), co2_of(problem, assign))


def _kept(part: Problem, plan: Plan, stop: int) -> Plan:
    return replace(
        plan,
        assign=tuple(placement for placement in plan.assign if placement.day < stop),
        pools=tuple(pool for pool in plan.pools if pool.day < stop),
        co2=tuple(entry for entry in plan.co2 if entry.day < stop),
    )


def _part(
    problem: Problem, sources: dict[str, Source], placed: dict[str, list[Placement]], load: _Load, start: int, stop: int
) -> Problem:
    """Return the season of some days. The days beside it are there for CO2 alone."""
    return replace(
        problem,
        benches=tuple(_days(bench, load, start, stop) for bench in problem.benches),
        sources=tuple(sources[source.id] for source in problem.sources),
        bookings=tuple(_left_over(problem, placed, start, stop)),
        rules=replace(problem.rules, min_sources=0),
        frozen=tuple(p for p in problem.frozen if start <= p.day < stop),
        published=tuple(p for p in problem.published if start <= p.day < stop),
    )


def _days(bench: Bench, load: _Load, start: int, stop: int) -> Bench:
    days = []
    for day in bench.days:
        if not start - 1 <= day.day <= stop:
            continue
        left = max(0, day.co2_capacity - load[bench.id, day.day])
        if start <= day.day < stop:
            days.append(replace(day, co2_capacity=left))
        else:
            days.append(BenchDay(day.day, op_minutes=0, collect_drones=0, max_queens=0, co2_capacity=left))
    return replace(bench, days=tuple(days))


def _left_over(problem: Problem, placed: dict[str, list[Placement]], start: int, stop: int) -> Iterator[Booking]:
    """Yield the bookings of these days with the queens that have no place yet."""
    for booking in problem.bookings:
        if booking.last_day < start or booking.first_day >= stop:
            continue
        given = placed.get(booking.id, [])
        queens = booking.queens - sum(placement.queens for placement in given)
        if queens <= 0:
            continue
        accepted = booking.sources
        if booking.mode == "one" and given:
            accepted = tuple(entry for entry in accepted if entry.id == given[0].source)
        yield replace(booking, queens=queens, sources=accepted)


def _taken(part: Problem, plan: Plan) -> dict[str, dict[int, float]]:
    """Return what a plan reserves of each source on each day. [md]"""
    doses = {booking.id: booking.ul10 for booking in part.bookings}
    volumes: dict[tuple[str, str, int], float] = {}
    for placement in plan.assign:
        if placement.source is not None:
            key = (placement.source, placement.bench, placement.day)
            volumes[key] = volumes.get(key, 0.0) + placement.queens * doses[placement.booking]
    for pool in plan.pools:
        for entry in pool.parts:
            key = (entry.source, pool.bench, pool.day)
            volumes[key] = volumes.get(key, 0.0) + entry.ul10
    lines = {source.id: source for source in part.sources}
    taken: dict[str, dict[int, float]] = {}
    for (source_id, _, day), volume in volumes.items():
        line = lines[source_id]
        of_source = taken.setdefault(source_id, {})
        of_source[day] = of_source.get(day, 0.0) + line.md_per_ul10 * volume + line.md_fixed
    return taken


def _less(source: Source, taken: dict[int, float], weights: tuple[int, ...]) -> Source:
    """Return the source after its drones were taken, the oldest usable cohort first."""
    order = sorted(range(len(source.cohorts)), key=lambda c: (source.cohorts[c].last_day, source.cohorts[c].first_day))
    stock = [1000.0 * cohort.stock_eq for cohort in source.cohorts]
    for day, reserve in sorted(taken.items()):
        wanted = reserve * weights[day]
        for c in order:
            if source.cohorts[c].first_day <= day <= source.cohorts[c].last_day:
                used = min(stock[c], wanted)
                stock[c] -= used
                wanted -= used
    cohorts = tuple(replace(c, stock_eq=int(left // 1000)) for c, left in zip(source.cohorts, stock, strict=True))
    return replace(source, cohorts=cohorts)
