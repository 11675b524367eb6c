"""The planning problem as one sparse integer program over counts.

Volumes are in units of 100 ul10 and reserves in drones, so that all coefficients lie within a few powers of ten.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from . import rows as kinds
from .grid import Grid
from .highs import Program
from .rows import UNIT

#: Steps of the fairness goal: what a member gets first counts most.
TIERS = 4

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_INF = float("inf")


@dataclass(slots=True)
class Block:
    """A run of columns of one kind."""

    start: int
    size: int

    @property
    def stop(self) -> int:
        return self.start + self.size

    @property
    def slice(self) -> slice:
        return slice(self.start, self.stop)

    def __getitem__(self, position: int) -> int:
        return self.start + position


@dataclass(slots=True)
class Model:
    """Rows ``row_low <= A v <= row_high``, columns ``low <= v <= high``.

    Blocks of columns: ``x`` direct queens, ``y`` pooled queens, ``p`` parts, ``z`` slots opened, ``w`` pools
    made, ``u`` parts counted, ``c`` source chosen by a batch of mode one, ``before`` CO2 rounds, ``vol`` volume
    of a slot, ``q`` queens of a session, ``V`` volume of a source, ``T`` of all sources, ``m`` source counts
    as used, ``d`` how far a source is from its target, ``S`` queens of a member, ``f`` those of them in each
    fairness tier, ``t`` the lowest served share, ``k`` queens kept of what is published. ``session`` gives for
    each column the session it belongs to, or -1; ``aims`` each source with a target, and that share.
    """

    grid: Grid
    blocks: dict[str, Block]
    A: sparse.csc_matrix
    row_low: Floats
    row_high: Floats
    low: Floats
    high: Floats
    integer: NDArray[np.bool_]
    session: Ints
    chosen: dict[tuple[int, int], int]
    counted: dict[int, int]
    sums: sparse.csr_matrix
    servable: list[int]
    asked: list[int]
    published: list[list[int]]
    aims: list[tuple[int, float]]
    pool_queens: sparse.csr_matrix

    @property
    def columns(self) -> int:
        return len(self.low)

    def served(self) -> Floats:
        """Return the objective that counts queens."""
        goal = np.zeros(self.columns)
        goal[self.blocks["S"].slice] = 1.0
        return goal

    def derive(self, v: Floats) -> None:
        """Work out, in place, the columns that follow from queens, parts and what is opened."""
        blocks, grid = self.blocks, self.grid
        sums = self.sums @ v
        for name in ("vol", "q", "V", "S"):
            v[blocks[name].slice] = sums[blocks[name].slice]
        least = grid.problem.rules.min_source_ul10 / UNIT
        volumes = v[blocks["V"].slice]
        v[blocks["T"][0]] = volumes.sum()
        v[blocks["m"].slice] = (volumes >= least - 1e-9) & (volumes > 0)
        for n, (s, share) in enumerate(self.aims):
            v[blocks["d"][n]] = abs(volumes[s] - share * volumes.sum())
        members = v[blocks["S"].slice]
        for tier in range(TIERS):
            columns = self.tier(tier)
            v[columns] = np.minimum(members, self.high[columns])
            members = members - v[columns]
        shares = [v[blocks["S"][m]] / self.asked[m] for m in self.servable]
        v[blocks["t"][0]] = min(shares, default=0.0)
        for n, columns_of in enumerate(self.published):
            asked = self.high[blocks["k"][n]]
            v[blocks["k"][n]] = min(asked, v[columns_of].sum()) if columns_of else 0.0

    def tier(self, tier: int) -> slice:
        """Return the columns of one fairness tier, one for each member."""
        members = self.blocks["S"].size
        start = self.blocks["f"][tier * members]
        return slice(start, start + members)

    def add_rows(self, rows: sparse.csr_matrix, low: Floats, high: Floats) -> None:
        self.A = sparse.csc_matrix(sparse.vstack([self.A, rows]))
        self.row_low, self.row_high = np.r_[self.row_low, low], np.r_[self.row_high, high]

    def program(self, goal: Floats) -> Program:
        return Program(goal, self.A, self.row_low, self.row_high, self.low, self.high, self.integer)


def model_of(grid: Grid) -> Model:
    """Write the integer program.

    Parameters
    ----------
    grid : Grid

    Returns
    -------
    Model
        Frozen placements are rows of it: without a plan that keeps them it has no point.
    """
    chosen: dict[tuple[int, int], int] = {}
    for b, k in grid.direct:
        if grid.bookings[b].mode == "one":
            chosen.setdefault((b, grid.slots[k].source), len(chosen))
    counted = {i: n for n, i in enumerate(i for i, (g, _) in enumerate(grid.parts) if grid.groups[g].counted)}
    aims = [
        (s, source.share_target_permille / 1000)
        for s, source in enumerate(grid.sources)
        if source.share_target_permille is not None
    ]
    sizes = {
        "x": len(grid.direct),
        "y": len(grid.pooled),
        "p": len(grid.parts),
        "z": len(grid.slots),
        "w": len(grid.made),
        "u": len(counted),
        "c": len(chosen),
        "before": len(grid.sessions),
        "vol": len(grid.slots),
        "q": len(grid.sessions),
        "V": len(grid.sources),
        "T": 1,
        "m": len(grid.sources),
        "d": len(aims),
        "S": len(grid.members),
        "f": len(grid.members) * TIERS,
        "t": 1,
        "k": len(grid.problem.published),
    }
    blocks: dict[str, Block] = {}
    total = 0
    for name, size in sizes.items():
        blocks[name] = Block(total, size)
        total += size
    asked = [0] * len(grid.members)
    for b, booking in enumerate(grid.bookings):
        asked[grid.member_of[b]] += booking.queens
    model = Model(
        grid=grid,
        blocks=blocks,
        A=sparse.csc_matrix((0, total)),
        row_low=np.zeros(0),
        row_high=np.zeros(0),
        low=np.zeros(total),
        high=np.full(total, _INF),
        integer=np.zeros(total, dtype=bool),
        session=np.full(total, -1, dtype=np.int64),
        chosen=chosen,
        counted=counted,
        sums=sparse.csr_matrix((total, total)),
        servable=grid.served_members(),
        asked=asked,
        published=[],
        aims=aims,
        pool_queens=sparse.csr_matrix((len(grid.made), total)),
    )
    _bounds(model)
    rows = kinds.Rows()
    model.sums = kinds.definition_rows(model, rows)
    kinds.demand_rows(model, rows)
    kinds.link_rows(model, rows)
    kinds.pool_rows(model, rows)
    kinds.session_rows(model, rows)
    kinds.stock_rows(model, rows)
    kinds.season_rows(model, rows)
    kinds.fairness_rows(model, rows)
    kinds.placement_rows(model, rows)
    shape = (len(rows.low), total)
    model.A = sparse.csc_matrix((rows.value, (rows.row, rows.col)), shape=shape)
    model.row_low, model.row_high = np.array(rows.low), np.array(rows.high)
    made_at = {made: n for n, made in enumerate(grid.made)}
    pooled = [made_at[g, j] for _, g, j in grid.pooled], [blocks["y"][i] for i in range(len(grid.pooled))]
    ones = np.ones(len(grid.pooled))
    model.pool_queens = sparse.csr_matrix((ones, pooled), shape=(len(grid.made), total))
    return model


def _bounds(model: Model) -> None:
    grid, blocks = model.grid, model.blocks
    session = model.session
    for i, (b, k) in enumerate(grid.direct):
        booking, slot = grid.bookings[b], grid.slots[k]
        most = min(booking.queens, slot.most_ul10 // booking.ul10, grid.sessions[slot.session].queens)
        model.high[blocks["x"][i]] = most
        session[blocks["x"][i]] = slot.session
    for i, (b, _, j) in enumerate(grid.pooled):
        model.high[blocks["y"][i]] = min(grid.bookings[b].queens, grid.sessions[j].queens)
        session[blocks["y"][i]] = j
    for i, (_, k) in enumerate(grid.parts):
        session[blocks["p"][i]] = grid.slots[k].session
    for k, slot in enumerate(grid.slots):
        session[blocks["z"][k]] = session[blocks["vol"][k]] = slot.session
    for i, (_, j) in enumerate(grid.made):
        session[blocks["w"][i]] = j
    for i, n in model.counted.items():
        session[blocks["u"][n]] = grid.slots[grid.parts[i][1]].session
    for j in range(len(grid.sessions)):
        session[blocks["before"][j]] = session[blocks["q"][j]] = j
    for name in ("x", "y", "z", "w", "u", "c", "m"):
        model.integer[blocks[name].slice] = True
    for name in ("z", "w", "u", "c", "m", "t"):
        model.high[blocks[name].slice] = 1.0
    model.high[blocks["f"].slice] = 0.0
    for n, placement in enumerate(grid.problem.published):
        model.high[blocks["k"][n]] = placement.queens
