"""Nearer to the sources' targets by exchanging sources: the queens of a booking stay in their session."""

from __future__ import annotations

from collections import defaultdict

import numpy as np

from .goals import balance_goal
from .model import Floats
from .rows import UNIT
from .running import Search
from .search import cleaned
from .starting import is_feasible

#: Reckoned time of trying one exchange, for a coefficient of the program. [s]
_PER_TRY = 4e-9
_LEAST_GAIN = 1e-7


def exchange_sources(search: Search) -> None:
    """Give queens drones of another source they accept, as long as that brings the sources nearer to their targets.

    The largest steps first, whole groups before single queens; batches of one source and pools stay as they are.
    Every row of the program holds after each exchange.
    """
    model = search.model
    assert search.v is not None
    v, goal = search.v, balance_goal(model)
    while not search.over():
        better = _sweep(search, v, goal)
        if better is v:
            break
        v = better
    if v is not search.v:
        search.take(v)


def _sweep(search: Search, v: Floats, goal: Floats) -> Floats:
    model, queens = search.model, search.model.blocks["x"]
    for _gain, i, other, n in _exchanges(search, v):
        if search.over():
            break
        if v[queens[i]] < n - 0.5:
            continue
        new = v.copy()
        new[queens[i]] -= n
        new[queens[other]] += n
        new = cleaned(model, new)
        search.work(_PER_TRY * model.A.nnz)
        if goal @ new > goal @ v + _LEAST_GAIN and is_feasible(model, new):
            v = new
    return v


def _exchanges(search: Search, v: Floats) -> list[tuple[float, int, int, int]]:
    """Return (gain, from, to, queens) of every exchange that would help by itself, the most helpful first."""
    model, grid = search.model, search.model.grid
    volumes = v[model.blocks["V"].slice]
    off: dict[int, float] = {s: float(volumes[s] - share * volumes.sum()) for s, share in model.aims}
    together: dict[tuple[int, int], list[int]] = defaultdict(list)
    for i, (b, k) in enumerate(grid.direct):
        if grid.bookings[b].mode == "each":
            together[b, grid.slots[k].session].append(i)
    x = np.rint(v[model.blocks["x"].slice]).astype(int)
    found = []
    for (b, _session), columns in together.items():
        for i in (one for one in columns if x[one]):
            for n in {int(x[i]), 1}:
                volume = n * grid.bookings[b].ul10 / UNIT
                source = grid.slots[grid.direct[i][1]].source
                left = abs(off[source]) - abs(off[source] - volume) if source in off else 0.0
                for other in columns:
                    to = grid.slots[grid.direct[other][1]].source
                    gain = left + (abs(off[to]) - abs(off[to] + volume) if to in off else 0.0)
                    if to != source and gain > _LEAST_GAIN:
                        found.append((gain, i, other, n))
    return sorted(found, key=lambda one: (-one[0], one[1:]))
