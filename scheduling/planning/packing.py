"""The season as a packing of queens, small enough to be bounded as a whole: nothing but whose, where and from whom.

Columns are (booking, slot); a pooled queen may come from each source of her group in parts. A slot is as far open as
its volume asks for at the least (see `slim`), and what no column touches alone is left out: CO2 rounds, caps of parts
and shares, one source for a batch. So it relaxes the season, and any prices of its rows prove a bound.

The rows are never written down: each is a sum over slots, sessions or days of a source, worked out by counting.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from .grid import Grid, most_queens

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


class Packing:
    """Maximise the sum of x with ``rows(x) <= limit`` and ``0 <= x <= high``; every coefficient is at least 0.

    Parameters
    ----------
    grid : Grid
        With at least one place for a queen.

    Attributes
    ----------
    booking, slot : ndarray of int, shape (n,)
        Of each column; those of `Grid.direct` come first, in its order.
    high : ndarray, shape (n,)
        Most queens of a column. [queens]
    limit : ndarray, shape (m,)
        Of bookings, then sessions (minutes, places, drones everted), then stock. Each row is scaled so that a queen
        weighs about 1 in it.
    """

    def __init__(self, grid: Grid) -> None:
        rules = grid.problem.rules
        self.days = grid.problem.days
        self._session = np.array([slot.session for slot in grid.slots], dtype=np.int64)
        source = np.array([slot.source for slot in grid.slots], dtype=np.int64)
        dose = np.array([float(booking.ul10) for booking in grid.bookings])
        asked = np.array([float(booking.queens) for booking in grid.bookings])
        self._columns(grid)
        self._dose = dose[self.booking]
        most = np.array([float(slot.most_ul10) for slot in grid.slots])
        self._open = least_opened(grid)
        places = np.array([float(session.queens) for session in grid.sessions])
        self.high = np.minimum(asked[self.booking], most[self.slot] // self._dose)
        self.high = np.minimum(self.high, places[self._session[self.slot]])
        self._pooled_high(grid, asked)
        divisor = int(np.gcd(rules.queen_minutes, rules.setup_minutes)) or 1
        self._each, self._setup = rules.queen_minutes // divisor, rules.setup_minutes // divisor
        line = np.array([(entry.md_per_ul10, entry.md_fixed) for entry in grid.sources], dtype=float)[source]
        self._drones = (line[:, 0] + line[:, 1] * self._open) / 1000
        day = np.array([session.day for session in grid.sessions], dtype=np.int64)[self._session]
        self._worth = self._drones * np.array(grid.problem.weights, dtype=float)[day] / 1000
        self._cell = source * self.days + day
        self._cells = len(grid.sources) * self.days
        self._stock = _stock_matrix(grid)
        limits = [session.limits for session in grid.sessions]
        self._sizes = (len(asked), *(3 * [len(limits)]), self._stock.shape[0])
        self._scale = np.ones(sum(self._sizes))
        raw = np.concatenate(
            [
                asked,
                [float(entry.op_minutes // divisor) for entry in limits],
                [float(entry.max_queens) for entry in limits],
                [float(entry.collect_drones) for entry in limits],
                [row.stock / 1e6 for rows in grid.stock_rows for row in rows],
            ]
        )
        self._scale = self._weights()
        self.limit = raw / self._scale

    @property
    def columns(self) -> int:
        return len(self.booking)

    def rows(self, x: Floats) -> Floats:
        """Return what a point takes of each row, shape (m,)."""
        count, sessions, slots = _sums, self._sizes[1], len(self._session)
        volume = count(self.slot, x * self._dose, slots)
        queens = count(self._session, count(self.slot, x, slots), sessions)
        setups = count(self._session, self._open * volume, sessions)
        setups += count(self._session[self.slot[self._direct :]], x[self._direct :] * self._made, sessions)
        taken = np.concatenate(
            [
                count(self.booking, x, self._sizes[0]),
                self._each * queens + self._setup * setups,
                queens,
                count(self._session, self._drones * volume, sessions),
                self._stock @ count(self._cell, self._worth * volume, self._cells),
            ]
        )
        scaled: Floats = taken / self._scale
        return scaled

    def costs(self, prices: Floats) -> Floats:
        """Return what a queen of each column costs at prices of the rows, shape (n,)."""
        booking, minutes, places, drones, stock = np.split(prices / self._scale, np.cumsum(self._sizes)[:-1])
        at, worth = self._session, (self._stock.T @ stock)[self._cell]
        volume = self._setup * self._open * minutes[at] + self._drones * drones[at] + self._worth * worth
        queen = self._each * minutes[at] + places[at]
        cost: Floats = booking[self.booking] + queen[self.slot] + volume[self.slot] * self._dose
        cost[self._direct :] += self._setup * self._made * minutes[at[self.slot[self._direct :]]]
        return cost

    def drones(self, x: Floats) -> Floats:
        """Return the drones that a point reserves of each slot, shape (n_slots,). [drones]"""
        return self._drones * _sums(self.slot, x * self._dose, len(self._session))

    def bound(self, prices: Floats) -> float:
        """Return what no plan can serve more than, proven by prices of at least 0. [queens]"""
        return float(self.limit @ prices + self.high @ np.maximum(1.0 - self.costs(prices), 0.0))

    def _columns(self, grid: Grid) -> None:
        """List the columns: direct ones, then each pooled queen's possible sources."""
        slots: dict[tuple[int, int], list[int]] = {}
        for g, k in grid.parts:
            slots.setdefault((g, grid.slots[k].session), []).append(k)
        queens: dict[tuple[int, int], int] = {}
        for b, g, j in grid.pooled:
            queens[g, j] = queens.get((g, j), 0) + grid.bookings[b].queens
        pooled, made = [], []
        self.pooled: list[int] = []
        for i, (b, g, j) in enumerate(grid.pooled):
            limits = grid.sessions[j].limits
            setups = grid.groups[g].least_parts + 1
            most = min(most_queens(limits.op_minutes, setups, limits, grid.problem), queens[g, j])
            for k in slots[g, j]:
                pooled.append((b, k))
                made.append(1.0 / most)
                self.pooled.append(i)
        pairs = np.array([*grid.direct, *pooled], dtype=np.int64).reshape(-1, 2)
        self.booking, self.slot = np.ascontiguousarray(pairs[:, 0]), np.ascontiguousarray(pairs[:, 1])
        self._direct, self._made = len(grid.direct), np.array(made)

    def _pooled_high(self, grid: Grid, asked: Floats) -> None:
        """A part may be smaller than a dose, so only queens and places bound what a pooled column takes."""
        tail = slice(self._direct, None)
        places = np.array([float(session.queens) for session in grid.sessions])
        self.high[tail] = np.minimum(asked[self.booking[tail]], places[self._session[self.slot[tail]]])

    def _weights(self) -> Floats:
        """Return the mean coefficient of each row, 1 for rows without one."""
        ones = np.ones(self.columns)
        total = self.rows(ones)
        slots = np.bincount(self.slot, minlength=len(self._session)).astype(float)
        at_session = np.bincount(self._session, slots, self._sizes[1])
        stock = self._stock.astype(bool).astype(float) @ _sums(self._cell, slots, self._cells)
        touched = np.concatenate([total[: self._sizes[0]], at_session, at_session, at_session, stock])
        return np.where((total > 0) & (touched > 0), total / np.maximum(touched, 1.0), 1.0)


def least_opened(grid: Grid) -> Floats:
    """Return how far a slot is open at the least for a unit of its volume, shape (n_slots,). [1/ul10]

    Its volume is at most ``most`` when open; where it gives to single queens alone, so are its queens, each of
    them at most the largest dose.
    """
    most = np.array([slot.most_ul10 for slot in grid.slots], dtype=np.int64)
    made: Floats = 1.0 / most
    if not grid.direct:
        return made
    pairs = np.array(grid.direct, dtype=np.int64)
    booking, slot = pairs[:, 0], pairs[:, 1]
    dose = np.array([entry.ul10 for entry in grid.bookings], dtype=np.int64)[booking]
    asked = np.zeros(len(most), dtype=np.int64)
    np.add.at(asked, slot, np.array([entry.queens for entry in grid.bookings], dtype=np.int64)[booking])
    smallest, largest = most.copy(), np.zeros(len(most), dtype=np.int64)
    np.minimum.at(smallest, slot, dose)
    np.maximum.at(largest, slot, dose)
    single = asked > 0
    single[[k for _, k in grid.parts]] = False
    places = np.array([grid.sessions[entry.session].queens for entry in grid.slots], dtype=np.int64)
    queens = np.minimum(np.minimum(places, asked), most // smallest)[single]
    made[single] = np.maximum(made[single], 1.0 / (largest[single] * queens))
    return made


def _stock_matrix(grid: Grid) -> sparse.csr_matrix:
    """Return which days of which source each stock row counts."""
    days, lengths = list[int](), list[int]()
    for s, rows in enumerate(grid.stock_rows):
        for row in rows:
            counted = [s * grid.problem.days + day for day in sorted(row.days) if 0 <= day < grid.problem.days]
            days += counted
            lengths.append(len(counted))
    start = np.concatenate([[0], np.cumsum(lengths)]).astype(np.int64)
    shape = (len(lengths), len(grid.sources) * grid.problem.days)
    return sparse.csr_matrix((np.ones(len(days)), np.array(days, dtype=np.int64), start), shape=shape)


def _sums(index: NDArray[np.int64], weights: Floats, size: int) -> Floats:
    """Return the weights summed by index, shape (size,)."""
    return np.bincount(index, weights, size).astype(np.float64)
