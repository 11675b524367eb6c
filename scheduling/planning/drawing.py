"""From a point of the integer program to a plan that people can read and the checker can judge."""

from __future__ import annotations

import numpy as np

from .model import Floats, Model
from .moves import co2_of
from .plan import Part, Plan, Pool
from .problem import Placement
from .rows import UNIT


def plan_of(model: Model, v: Floats) -> Plan:
    """Return the plan of a point, without a result.

    Parameters
    ----------
    model : Model
    v : ndarray, shape (n_columns,)
        A feasible point; whole numbers may be off by rounding.

    Returns
    -------
    Plan
        Placements by day, bench and booking. Parts of pools are whole tenths of a microlitre wherever the point
        has them so, else real numbers that add up exactly.
    """
    grid, blocks = model.grid, model.blocks
    pool_ids = _pool_ids(model)
    assign: list[Placement] = []
    volumes: dict[tuple[int, int], int] = {}
    x, y = np.rint(v[blocks["x"].slice]).astype(int), np.rint(v[blocks["y"].slice]).astype(int)
    for i in np.flatnonzero(x).tolist():
        b, k = grid.direct[i]
        session, source = grid.sessions[grid.slots[k].session], grid.sources[grid.slots[k].source]
        booking = grid.bookings[b]
        assign.append(Placement(booking.id, session.bench, session.day, int(x[i]), source=source.id))
    for i in np.flatnonzero(y).tolist():
        b, g, j = grid.pooled[i]
        booking, session = grid.bookings[b], grid.sessions[j]
        volumes[g, j] = volumes.get((g, j), 0) + int(y[i]) * booking.ul10
        assign.append(Placement(booking.id, session.bench, session.day, int(y[i]), pool=pool_ids[g, j]))
    parts: dict[tuple[int, int], dict[str, float]] = {}
    for n, (g, k) in enumerate(grid.parts):
        slot = grid.slots[k]
        part = v[blocks["p"][n]] * UNIT
        if (g, slot.session) in volumes and v[blocks["z"][k]] > 0.5 and part > 1e-3:
            parts.setdefault((g, slot.session), {})[grid.sources[slot.source].id] = float(part)
    pools = []
    for (g, j), volume in sorted(volumes.items()):
        session = grid.sessions[j]
        pools.append(Pool(pool_ids[g, j], session.bench, session.day, _parts(parts.get((g, j), {}), volume)))
    assign.sort(key=lambda a: (a.day, a.bench, a.booking, a.source or "", a.pool or ""))
    pools.sort(key=lambda pool: (pool.day, pool.bench, pool.id))
    return Plan(grid.problem.name, tuple(assign), tuple(pools), co2_of(grid.problem, assign))


def _parts(real: dict[str, float], volume: int) -> tuple[Part, ...]:
    """Return parts that add up to the pool's volume."""
    if not real:
        return ()
    rounded = {source: round(ul10) for source, ul10 in real.items()}
    if all(abs(real[source] - rounded[source]) < 1e-3 for source in real) and sum(rounded.values()) == volume:
        return tuple(Part(source, ul10) for source, ul10 in sorted(rounded.items()))
    largest = max(real, key=lambda source: (real[source], source))
    parts = {source: round(ul10, 4) for source, ul10 in real.items()}
    parts[largest] = round(volume - sum(ul10 for source, ul10 in parts.items() if source != largest), 6)
    return tuple(Part(source, ul10) for source, ul10 in sorted(parts.items()))


def _pool_ids(model: Model) -> dict[tuple[int, int], str]:
    """Name the pools: as frozen or published placements call them where that is unambiguous."""
    grid = model.grid
    ids = {(g, j): f"{grid.groups[g].name}@{grid.sessions[j].bench}@{grid.sessions[j].day}" for g, j in grid.made}
    group_of = {grid.bookings[b].id: g for g, group in enumerate(grid.groups) for b in group.bookings}
    wishes: dict[str, set[tuple[int, int]]] = {}
    for placement in (*grid.problem.published, *grid.problem.frozen):
        j = grid.session_at.get((placement.bench, placement.day))
        if placement.pool is not None and j is not None and placement.booking in group_of:
            wishes.setdefault(placement.pool, set()).add((group_of[placement.booking], j))
    for name, places in sorted(wishes.items()):
        if len(places) == 1 and (place := next(iter(places))) in ids:
            ids[place] = name
    taken: set[str] = set()
    for place, name in sorted(ids.items()):
        unique, n = name, 1
        while unique in taken:
            n += 1
            unique = f"{name}/{n}"
        taken.add(unique)
        ids[place] = unique
    return ids
