"""Two smaller programs beside the whole one: a relaxation without opened slots, and one on the slots of a plan.

The whole relaxation spends most of its time on whether a slot is opened. Put as small as its volume asks for, that
column goes, and with it four fifths of the work, at a bound hardly weaker. Once a plan has opened its slots, their
setup is known; the relaxation over just these leaves rounding little to lose.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from .goals import served_goal
from .highs import Program
from .model import Floats, Model
from .packing import least_opened
from .rows import UNIT
from .search import Mask
from .state import State

_KEPT = ("x", "y", "p", "before", "vol", "q", "V", "T")
#: Rows that tell of other columns are left out: the bound stays one, a little weaker.
_LEFT_OUT = ("u", "m", "f", "t", "k", "c", "S")


def slim_program(model: Model) -> tuple[Program, sparse.csr_matrix]:
    """Write the relaxation for most queens without columns for opened slots.

    Parameters
    ----------
    model : Model

    Returns
    -------
    Program
        No plan serves more than its optimum.
    csr_matrix, shape (n_columns, n_kept)
        Makes a point of the whole program of one of this: ``v = back @ u``.
    """
    blocks, size = model.blocks, model.columns
    kept = np.zeros(size, dtype=bool)
    for name in _KEPT:
        kept[blocks[name].slice] = True
    z, vol, members = blocks["z"], blocks["vol"], blocks["S"]
    opened = sparse.csr_matrix(
        (UNIT * least_opened(model.grid), (np.arange(z.start, z.stop), np.arange(vol.start, vol.stop))),
        shape=(size, size),
    )
    of_member = np.zeros(size)
    of_member[members.slice] = 1.0
    back = sparse.csr_matrix(sparse.diags(kept.astype(float)) + opened + sparse.diags(of_member) @ model.sums)
    back = sparse.csr_matrix(back[:, np.flatnonzero(kept)])
    A = sparse.csr_matrix(model.A)
    rows = sparse.csr_matrix(A @ back)
    left_out = _touches(model, A, _LEFT_OUT) | _touches(model, A.minimum(0), ("z", "w"))
    at_least = np.isfinite(model.row_low) & ~np.isfinite(model.row_high)
    chosen = np.flatnonzero((np.diff(rows.indptr) > 0) & ~left_out & ~at_least)
    program = Program(
        np.asarray(served_goal(model) @ back).ravel(),
        sparse.csc_matrix(rows[chosen]),
        model.row_low[chosen],
        model.row_high[chosen],
        model.low[kept],
        model.high[kept],
        np.zeros(int(kept.sum()), dtype=bool),
    )
    return program, back


def supported_program(model: Model, goal: Floats, state: State) -> tuple[Program, NDArray[np.int64], Floats]:
    """Write the program in which just the slots and pools of a plan are open.

    Its optimum bounds nothing. Queens of slots that are closed are held at none.

    Returns
    -------
    Program
        Over the columns that are not settled by that.
    ndarray of int
        The numbers of these columns.
    ndarray, shape (n_columns,)
        What the others are.
    """
    low, high = model.low.copy(), model.high.copy()
    for name, is_open in (("z", open_slots(state)), ("w", _made_pools(state))):
        block = model.blocks[name].slice
        low[block] = np.maximum(low[block], is_open)
        high[block] = np.maximum(low[block], is_open)
    slot = np.array([k for _, k in model.grid.direct], dtype=np.int64)
    closed = high[model.blocks["z"].slice][slot] == 0
    queens = model.blocks["x"].slice
    high[queens] = np.where(closed, low[queens], high[queens])
    columns, v = np.flatnonzero(high > low), np.where(high > low, 0.0, low)
    part = sparse.csr_matrix(model.A[:, columns])
    settled = model.A @ v
    rows = np.flatnonzero(np.diff(part.indptr))
    program = Program(
        goal[columns],
        sparse.csc_matrix(part[rows]),
        model.row_low[rows] - settled[rows],
        model.row_high[rows] - settled[rows],
        low[columns],
        high[columns],
        model.integer[columns],
    )
    return program, columns, v


def open_slots(state: State) -> Floats:
    """Return 1 for each slot that gives semen, else 0; shape (n_slots,)."""
    return (np.array(state.volume) > 0).astype(float)


def _made_pools(state: State) -> Floats:
    return np.array([float(made in state.pools) for made in state.grid.made])


def _touches(model: Model, A: sparse.csr_matrix, names: tuple[str, ...]) -> Mask:
    """Return the rows with a coefficient in one of these blocks, shape (n_rows,)."""
    inside = np.zeros(model.columns)
    for name in names:
        inside[model.blocks[name].slice] = 1.0
    found: Mask = np.asarray(abs(A) @ inside).ravel() > 0
    return found
