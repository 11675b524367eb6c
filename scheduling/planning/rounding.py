"""From a relaxation's point to whole queens, never breaking a rule on the way."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from .baseline import columns_by_booking, place_fixed, with_share_held
from .model import Floats, Model
from .state import State


def rounded_state(model: Model, v: Floats) -> State:
    """Round a relaxation down into the integer state, then fill up greedily.

    Parameters
    ----------
    model : Model
    v : ndarray, shape (n_columns,)
        A point of the relaxation.

    Returns
    -------
    State
        Frozen and published placements come first, then whole queens of the slots that the relaxation opens
        most, then its fractions, then whatever else has room. Ties go to the lower column.
    """
    grid, blocks = model.grid, model.blocks
    x, y = v[blocks["x"].slice], v[blocks["y"].slice]
    opened = v[blocks["z"].slice]
    slot = np.array([k for _, k in grid.direct], dtype=np.int64)
    by_slot = np.lexsort((np.arange(len(x)), -x, -opened[slot])) if len(x) else np.zeros(0, dtype=np.int64)
    by_queens = np.lexsort((np.arange(len(y)), -y)) if len(y) else np.zeros(0, dtype=np.int64)

    def build(limit: Sequence[int] | None) -> State:
        state = State(grid, limit, opened.tolist())
        place_fixed(state, grid.problem.frozen)
        place_fixed(state, grid.problem.published)
        for whole in (True, False):
            for i in by_queens.tolist():
                wanted = int(np.floor(y[i] + 1e-6)) if whole else int(np.ceil(y[i] - 1e-6))
                _fill_pooled(state, i, wanted)
            for i in by_slot.tolist():
                wanted = int(np.floor(x[i] + 1e-6)) if whole else int(np.ceil(x[i] - 1e-6))
                missing = wanted - state.x.get(i, 0)
                n = min(missing, state.room(i)) if missing > 0 else 0
                if n > 0:
                    state.add(i, n)
        fill_up(state)
        return state

    return with_share_held(grid, build)


def fill_up(state: State) -> None:
    """Put queens wherever there is room, in slots that are open before others, the urgent bookings first."""
    grid = state.grid
    direct, pooled = columns_by_booking(grid)
    order = sorted(range(len(grid.bookings)), key=lambda b: (grid.bookings[b].last_day, b))
    for only_open in (True, False):
        for b in order:
            if not state.left[b]:
                continue
            for i in pooled[b]:
                if not only_open or (grid.pooled[i][1], grid.pooled[i][2]) in state.pools:
                    state.add_pooled(i, state.left[b])
            for i in sorted(direct[b], key=lambda i: (-state.liking[grid.direct[i][1]], i)):
                if not only_open or state.volume[grid.direct[i][1]]:
                    n = state.room(i)
                    if n > 0:
                        state.add(i, n)


def _fill_pooled(state: State, i: int, wanted: int) -> None:
    _, g, j = state.grid.pooled[i]
    mix = state.pools.get((g, j))
    missing = wanted - (mix.queens.get(i, 0) if mix else 0)
    if missing > 0:
        state.add_pooled(i, missing)
