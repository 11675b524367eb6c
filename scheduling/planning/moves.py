"""Moves made by hand on the plan board."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

from .co2 import co2_rounds
from .plan import Co2, Part, Plan, Pool
from .problem import Placement, Problem


@dataclass(frozen=True, slots=True)
class Move:
    """Put queens of a booking into a session.

    Parameters
    ----------
    booking, bench, day, queens
        How many queens of which booking go into which session.
    source : str, optional
        The source they get; None for a pool.
    pool : str, optional
        The pool they join: one of that session, or a new id, which is then mixed as the pool they come from.
    mix : tuple of Part, optional
        What a new pool is mixed of, in these proportions, whatever the pool they come from.
    taken_from : Placement, optional
        Where these queens are now; ``queens`` of the move are taken out of it. None: they had no place.
    """

    booking: str
    bench: str
    day: int
    queens: int
    source: str | None = None
    pool: str | None = None
    taken_from: Placement | None = None
    mix: tuple[Part, ...] = ()


def plan_after_move(problem: Problem, plan: Plan, move: Move) -> Plan:
    """Return the plan with the move made, its pools scaled and its CO2 rounds shared out anew.

    Parameters
    ----------
    problem : Problem
    plan : Plan
    move : Move

    Returns
    -------
    Plan
        Without a result; whether it keeps the rules is for the checker to say.

    Raises
    ------
    ValueError
        When the move takes more queens out of a placement than it holds, puts nobody, or names a pool that is
        neither in that session nor can be mixed as the one it comes from.
    """
    if move.queens < 1 or (move.source is None) == (move.pool is None):
        raise ValueError("move needs at least one queen and either a source or a pool")
    counts = _counts(plan.assign)
    volume = {booking.id: booking.ul10 for booking in problem.bookings}.get(move.booking, 0) * move.queens
    pools = {pool.id: pool for pool in plan.pools}
    if move.pool is not None:
        pools[move.pool] = _joined(pools, move, volume)
    if move.taken_from is not None:
        _take_out(counts, pools, replace(move.taken_from, queens=move.queens), volume)
    target = Placement(move.booking, move.bench, move.day, move.queens, move.source, move.pool)
    counts[_key(target)] = counts.get(_key(target), 0) + move.queens
    return _plan_of(problem, plan, counts, pools)


def plan_without(problem: Problem, plan: Plan, gone: Placement) -> Plan:
    """Return the plan without these queens, their pool smaller by their part, its CO2 rounds shared out anew.

    Raises ValueError when the placement holds fewer queens.
    """
    counts, pools = _counts(plan.assign), {pool.id: pool for pool in plan.pools}
    dose = {booking.id: booking.ul10 for booking in problem.bookings}.get(gone.booking, 0)
    _take_out(counts, pools, gone, dose * gone.queens)
    return _plan_of(problem, plan, counts, pools)


def co2_of(problem: Problem, assign: Iterable[Placement]) -> tuple[Co2, ...]:
    """Return the CO2 rounds that serve the placements, on every bench; see `co2.co2_rounds`."""
    emerge = {booking.id: booking.emerge for booking in problem.bookings}
    queens: dict[str, dict[int, int]] = {}
    old_enough: dict[str, dict[int, int]] = {}
    for placement in assign:
        days = queens.setdefault(placement.bench, {})
        days[placement.day] = days.get(placement.day, 0) + placement.queens
        born = emerge.get(placement.booking)
        if born is not None and placement.day - 1 - born >= problem.rules.co2_first_age:
            old = old_enough.setdefault(placement.bench, {})
            old[placement.day] = old.get(placement.day, 0) + placement.queens
    capacity = {bench.id: {day.day: day.co2_capacity for day in bench.days} for bench in problem.benches}
    rounds: list[Co2] = []
    for bench in sorted(queens):
        before, _ = co2_rounds(queens[bench], old_enough.get(bench, {}), capacity.get(bench, {}))
        rounds += [Co2(bench, day, before[day], n - before[day]) for day, n in sorted(queens[bench].items())]
    return tuple(rounds)


_Key = tuple[str, str, int, str | None, str | None]


def _key(placement: Placement) -> _Key:
    return (placement.booking, placement.bench, placement.day, placement.source, placement.pool)


def _counts(assign: Iterable[Placement]) -> dict[_Key, int]:
    counts: dict[_Key, int] = {}
    for placement in assign:
        counts[_key(placement)] = counts.get(_key(placement), 0) + placement.queens
    return counts


def _take_out(counts: dict[_Key, int], pools: dict[str, Pool], gone: Placement, volume: int) -> None:
    key = _key(gone)
    if counts.get(key, 0) < gone.queens:
        raise ValueError(f"taken_from holds {counts.get(key, 0)} queens, not {gone.queens}")
    counts[key] -= gone.queens
    if gone.pool in pools:
        pools[gone.pool] = _scaled(pools[gone.pool], -volume)


def _plan_of(problem: Problem, plan: Plan, counts: dict[_Key, int], pools: dict[str, Pool]) -> Plan:
    assign = tuple(Placement(b, j, d, n, s, p) for (b, j, d, s, p), n in counts.items() if n)
    in_use = {placement.pool for placement in assign}
    kept = tuple(pool for pool in pools.values() if pool.id in in_use)
    return replace(plan, assign=assign, pools=kept, co2=co2_of(problem, assign), result=None)


def _joined(pools: dict[str, Pool], move: Move, volume: int) -> Pool:
    assert move.pool is not None
    pool = pools.get(move.pool)
    if pool is not None:
        if (pool.bench, pool.day) != (move.bench, move.day):
            raise ValueError(f"pool {move.pool!r} is of another session")
        return _scaled(pool, volume)
    mixed_as = pools.get(move.taken_from.pool or "") if move.taken_from is not None else None
    parts = move.mix or (mixed_as.parts if mixed_as is not None else ())
    total = sum(part.ul10 for part in parts)
    if total <= 0:
        raise ValueError(f"no pool {move.pool!r}, and none to mix it as")
    return _scaled(Pool(move.pool, move.bench, move.day, parts), volume - total)


def _scaled(pool: Pool, more: float) -> Pool:
    """Return the pool with its volume changed and its recipe kept."""
    total = sum(part.ul10 for part in pool.parts)
    wanted = total + more
    if total <= 0:
        return pool
    parts = [Part(part.source, round(part.ul10 * wanted / total, 6)) for part in pool.parts]
    rest = wanted - sum(part.ul10 for part in parts[:-1])
    return replace(pool, parts=(*parts[:-1], Part(parts[-1].source, round(rest, 6))))
