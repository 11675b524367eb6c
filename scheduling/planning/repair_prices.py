"""A repair improved by exact pieces, each published queen that moves at a price: what chains of moves do not see.

Opening a source or a session pays only for several queens together; a piece of the integer program weighs them all.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace

import numpy as np

from .drawing import plan_of
from .goals import served_goal
from .grid import grid_of
from .model import Floats, Model, model_of
from .neighbourhoods import Neighbourhoods
from .plan import Plan
from .problem import Placement, Problem
from .rows import UNIT, columns_by_place, place_key
from .running import PIECE_NODES, SMALL
from .search import improved

#: What a published queen kept is worth in queens served: a move for a queen, then two, then three.
KEPT_WORTH = (0.95, 0.45, 0.3)
#: Nodes where the whole program is solved at once.
_WHOLE_NODES = 150
#: Longest time of one piece; its nodes end it before on any usual machine. [s]
_PIECE_SECONDS = 20.0
#: What rounded parts of pools may miss a row by, as the checker forgives it. [100 ul10], [drones]
_ROUNDED = 1e-2
#: Pieces in a row without gain after which the next price is tried.
_DRY = 12


def priced(
    problem: Problem, told: Plan, start: Plan, *, seed: int, pieces: int, left: Callable[[], float]
) -> Iterator[Plan]:
    """Yield better and better plans, beginning from one that keeps every rule.

    Parameters
    ----------
    problem : Problem
    told : Plan
        The published plan, whose queens have the price.
    start : Plan
        Valid.
    seed : int
    pieces : int
        Pieces solved at each price: the limit that does not depend on the machine.
    left : callable
        CPU seconds that are left; none ends it. [s]

    Yields
    ------
    Plan
        Without a result; whether it keeps the rules is for the checker to say. Nothing when the start is no point of
        the program.
    """
    model = model_of(grid_of(replace(problem, published=_known(problem, told))))
    v = point_of(model, start)
    if not pieces or not model.columns or not _is_point(model, v):
        return
    for worth in KEPT_WORTH:
        goal = served_goal(model)
        goal[model.blocks["k"].slice] = worth
        better = _whole(model, goal, v, seed, left) if _small(model) else _by_pieces(model, goal, v, seed, pieces, left)
        for point in better:
            v = point
            yield plan_of(model, v)


def _small(model: Model) -> bool:
    return int(model.integer.sum()) <= SMALL


def _whole(model: Model, goal: Floats, v: Floats, seed: int, left: Callable[[], float]) -> Iterator[Floats]:
    """Solve with every column free, once."""
    if left() <= 0:
        return
    free = np.ones(model.columns, dtype=bool)
    better, _ = improved(model, goal, v, free, seconds=min(_PIECE_SECONDS, left()), nodes=_WHOLE_NODES, seed=seed)
    if better is not v:
        yield better


def _by_pieces(
    model: Model, goal: Floats, v: Floats, seed: int, pieces: int, left: Callable[[], float]
) -> Iterator[Floats]:
    choose, dry = Neighbourhoods(model, seed), 0
    for n in range(pieces):
        if dry >= _DRY or left() <= 0:
            return
        arm, free = choose.draw(v)
        better, answer = improved(
            model, goal, v, free, seconds=min(_PIECE_SECONDS, left()), nodes=PIECE_NODES, seed=seed + n
        )
        gain = float(goal @ better - goal @ v)
        choose.learn(arm, gain=gain, proven=answer.proven)
        dry = 0 if gain > 0 else dry + 1
        if gain > 0:
            v = better
            yield v


def point_of(model: Model, plan: Plan) -> Floats:
    """Return a plan as a point of the integer program; placements without a column are left out."""
    grid, blocks = model.grid, model.blocks
    v = np.zeros(model.columns)
    columns = columns_by_place(model)
    pools = {pool.id: pool for pool in plan.pools}
    number = {source.id: s for s, source in enumerate(grid.sources)}
    booking = {entry.id: b for b, entry in enumerate(grid.bookings)}
    made_at = {made: n for n, made in enumerate(grid.made)}
    part_at = {part: n for n, part in enumerate(grid.parts)}
    group_of = {(b, j): g for b, g, j in grid.pooled}
    for placement in plan.assign:
        for column in columns.get(place_key(placement), ())[:1]:
            v[column] += placement.queens
            b, j = booking[placement.booking], grid.session_at[placement.bench, placement.day]
            if placement.source is not None and grid.bookings[b].mode == "one":
                v[blocks["c"][model.chosen[b, number[placement.source]]]] = 1.0
            if placement.pool is not None:
                g = group_of[b, j]
                v[blocks["w"][made_at[g, j]]] = 1.0
                for part in pools[placement.pool].parts:
                    n = part_at.get((g, grid.slot_at.get((number[part.source], j), -1)))
                    if n is not None:
                        v[blocks["p"][n]] = part.ul10 / UNIT
                        if n in model.counted:
                            v[blocks["u"][model.counted[n]]] = 1.0
    for entry in plan.co2:
        at = grid.session_at.get((entry.bench, entry.day))
        if at is not None:
            v[blocks["before"][at]] = entry.before
    model.derive(v)
    v[blocks["z"].slice] = v[blocks["vol"].slice] > 0
    return v


def _known(problem: Problem, told: Plan) -> tuple[Placement, ...]:
    """Published placements of bookings that are still asked for; those of one place counted together."""
    known = {booking.id for booking in problem.bookings}
    counts: dict[tuple[str, str, int, str | None], int] = {}
    pools: dict[tuple[str, str, int, str | None], str | None] = {}
    for placement in told.assign:
        if placement.booking in known:
            key = place_key(placement)
            counts[key] = counts.get(key, 0) + placement.queens
            pools[key] = min(filter(None, (pools.get(key), placement.pool)), default=None)
    places = sorted(counts, key=lambda key: (key[0], key[1], key[2], key[3] or ""))
    return tuple(Placement(b, j, d, counts[b, j, d, s], s, pools[b, j, d, s]) for b, j, d, s in places)


def _is_point(model: Model, v: Floats) -> bool:
    """Tell whether the point keeps the program's rows, within what rounded parts of pools may miss."""
    rows = model.A @ v
    return bool((rows <= model.row_high + _ROUNDED).all() and (rows >= model.row_low - _ROUNDED).all())
