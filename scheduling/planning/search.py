"""Improving a plan by solving small pieces of it exactly, again and again."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from .highs import Answer, Program, solved
from .model import Floats, Model

Mask = NDArray[np.bool_]

#: Blocks that follow from the others, and are free in every piece.
_SUMS = ("V", "T", "m", "d", "S", "f", "t", "k")


def piece(model: Model, goal: Floats, v: Floats, free: Mask) -> tuple[Program, NDArray[np.int64]]:
    """Write the program in which only some columns may change.

    Parameters
    ----------
    model : Model
    goal : ndarray, shape (n_columns,)
    v : ndarray, shape (n_columns,)
        A feasible point; columns that are not free keep its values.
    free : ndarray of bool, shape (n_columns,)

    Returns
    -------
    Program
        Over the free columns, with the rows they touch.
    ndarray of int
        The numbers of these columns.
    """
    columns = np.flatnonzero(free)
    touched = model.A[:, columns].tocsr()
    rows = np.flatnonzero(np.diff(touched.indptr))
    part = sparse.csc_matrix(touched[rows])
    used = part @ v[columns]
    held = (model.A @ v)[rows] - used
    # The point satisfies its rows but for rounding, which must not make the piece infeasible.
    high = np.maximum(model.row_high[rows] - held, used)
    low = np.minimum(model.row_low[rows] - held, used)
    program = Program(goal[columns], part, low, high, model.low[columns], model.high[columns], model.integer[columns])
    return program, columns


def improved(
    model: Model,
    goal: Floats,
    v: Floats,
    free: Mask,
    *,
    seconds: float,
    nodes: int,
    seed: int,
    slack: float = 0.0,
) -> tuple[Floats, Answer]:
    """Solve a piece and return the better point, or the same one, and the solver's answer."""
    program, columns = piece(model, goal, v, free)
    answer = solved(program, seconds=seconds, seed=seed, start=v[columns], nodes=nodes, slack=slack)
    if answer.v is None:
        return v, answer
    new = v.copy()
    new[columns] = answer.v
    new = cleaned(model, new)
    return (new, answer) if goal @ new > goal @ v + 1e-7 else (v, answer)


def cleaned(model: Model, v: Floats) -> Floats:
    """Round whole columns, close slots and pools that give nothing, and work the sums out again."""
    blocks = model.blocks
    v = v.copy()
    v[model.integer] = np.rint(v[model.integer])
    p, parts = blocks["p"].slice, np.array([k for _, k in model.grid.parts], dtype=np.int64)
    if len(parts):
        v[p] = np.where((v[p] < 1e-5) | (v[blocks["z"].slice][parts] < 0.5), 0.0, v[p])
    model.derive(v)
    v[blocks["z"].slice] = v[blocks["vol"].slice] > 0
    for n, used in enumerate(model.pool_queens @ v):
        if used < 0.5:
            v[blocks["w"][n]] = 0.0
    return v


def free_sessions(model: Model, v: Floats, sessions: Mask) -> Mask:
    """Return the columns free when everything in some sessions may change.

    A batch of mode one may change its source only when all its queens stand in these sessions.
    """
    free = np.zeros(model.columns, dtype=bool)
    inside = model.session >= 0
    free[inside] = sessions[model.session[inside]]
    for name in _SUMS:
        free[model.blocks[name].slice] = True
    _free_choices(model, v, free)
    return free


def free_sources(model: Model, v: Floats, sources: Mask, sessions: Mask | None = None) -> Mask:
    """Return the columns free when the queens of some sources may change, in all or some sessions."""
    grid, blocks = model.grid, model.blocks
    free = np.zeros(model.columns, dtype=bool)
    slot_free = np.array([sources[slot.source] for slot in grid.slots], dtype=bool)
    if sessions is not None:
        slot_free &= np.array([sessions[slot.session] for slot in grid.slots], dtype=bool)
    for name, members in (("x", grid.direct), ("p", grid.parts)):
        if members:
            free[blocks[name].slice] = slot_free[np.array([k for _, k in members], dtype=np.int64)]
    free[blocks["z"].slice] = slot_free
    free[blocks["vol"].slice] = slot_free
    touched = np.zeros(len(grid.sessions), dtype=bool)
    touched[[slot.session for slot, is_free in zip(grid.slots, slot_free, strict=True) if is_free]] = True
    for name in ("y", "w", "u", "before", "q"):
        columns = blocks[name].slice
        free[columns] = touched[model.session[columns]]
    for i, n in model.counted.items():
        free[blocks["u"][n]] = free[blocks["p"][i]]
    for name in _SUMS:
        free[blocks[name].slice] = True
    _free_choices(model, v, free)
    return free


def only_open(model: Model, free: Mask, open_slot: Mask) -> Mask:
    """Return the columns free without those that open or close a slot or a pool, and without closed slots."""
    blocks = model.blocks
    for name in ("z", "w"):
        free[blocks[name].slice] = False
    for name, members in (("x", model.grid.direct), ("p", model.grid.parts)):
        if members:
            free[blocks[name].slice] &= open_slot[np.array([k for _, k in members], dtype=np.int64)]
    free[blocks["vol"].slice] &= open_slot
    return free


def _free_choices(model: Model, v: Floats, free: Mask) -> None:
    if not model.chosen:
        return
    grid, blocks = model.grid, model.blocks
    x = blocks["x"].slice
    held = set()
    for i in np.flatnonzero((v[x] > 0.5) & ~free[x]).tolist():
        held.add(grid.direct[i][0])
    for (b, _), n in model.chosen.items():
        free[blocks["c"][n]] = b not in held
