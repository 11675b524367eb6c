"""Which piece of the plan to free next, drawn by a seeded generator and sized by what was solved before."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from .model import Floats, Model
from .search import Mask, free_sessions, free_sources, only_open

#: Whole columns in a piece: first guess, and within what it may drift. [columns]
_FIRST, _LEAST, _MOST = 700.0, 150.0, 4000.0
_GROW, _SHRINK = 1.15, 0.85

Draw = Callable[[Floats, float], Mask]


@dataclass(slots=True)
class Arm:
    """One way to draw a piece, the size it is at, and how much it has brought lately per piece."""

    name: str
    draw: Draw
    size: float = _FIRST
    worth: float = 1.0


class Neighbourhoods:
    """Draws pieces of a model.

    Parameters
    ----------
    model : Model
    seed : int
    """

    def __init__(self, model: Model, seed: int) -> None:
        self.model = model
        self.random = np.random.default_rng(seed)
        grid = model.grid
        self._day = np.array([session.day for session in grid.sessions], dtype=np.int64)
        self._bench = np.array([session.bench for session in grid.sessions])
        self._slot_session = np.array([slot.session for slot in grid.slots], dtype=np.int64)
        self._slot_source = np.array([slot.source for slot in grid.slots], dtype=np.int64)
        self._direct_slot = np.array([k for _, k in grid.direct], dtype=np.int64)
        self._weight = self._columns_per_session()
        self._related = self._shared_bookings()
        self.arms = [
            Arm("days", self._days),
            Arm("bench", self._bench_days),
            Arm("sources", self._sources),
            Arm("unserved", self._unserved),
            Arm("open days", self._open_days),
        ]

    def draw(self, v: Floats) -> tuple[Arm, Mask]:
        """Return an arm, drawn by its worth, and the columns it frees."""
        worth = np.array([arm.worth for arm in self.arms])
        arm = self.arms[int(self.random.choice(len(self.arms), p=worth / worth.sum()))]
        return arm, arm.draw(v, arm.size)

    @staticmethod
    def learn(arm: Arm, *, gain: float, proven: bool) -> None:
        """Size the arm so that its pieces stay just solvable, and remember what it brings."""
        arm.size = min(_MOST, max(_LEAST, arm.size * (_GROW if proven else _SHRINK)))
        arm.worth = 0.85 * arm.worth + 0.15 * (0.2 + min(gain, 5.0))

    def _columns_per_session(self) -> Floats:
        whole = self.model.session[self.model.integer]
        return np.bincount(whole[whole >= 0], minlength=len(self._day)).astype(float)

    def _shared_bookings(self) -> Floats:
        grid = self.model.grid
        accepts = np.zeros((len(grid.bookings), len(grid.sources)))
        number = {source.id: s for s, source in enumerate(grid.sources)}
        for b, booking in enumerate(grid.bookings):
            for entry in booking.sources:
                accepts[b, number[entry.id]] = booking.queens
        shared: Floats = np.minimum(accepts.T @ (accepts > 0), (accepts.T @ (accepts > 0)).T)
        return shared

    def _window(self, inside: Mask, middle: int, size: float, weight: Floats | None = None) -> Mask:
        """Return days around a middle one, widened until they hold so many columns."""
        weight = self._weight if weight is None else weight
        chosen = np.zeros(len(self._day), dtype=bool)
        away = np.abs(self._day - middle)
        total = 0.0
        for distance in range(self.model.grid.problem.days + 1):
            ring = inside & (away == distance)
            held = float(np.sum(weight[ring]))
            if total and total + held > size:
                break
            chosen |= ring
            total += held
        return chosen

    def _days(self, v: Floats, size: float) -> Mask:
        middle = int(self._day[self.random.integers(len(self._day))])
        everywhere = np.ones(len(self._day), dtype=bool)
        return free_sessions(self.model, v, self._window(everywhere, middle, size))

    def _open_days(self, v: Floats, size: float) -> Mask:
        """Free queens and parts of more days, but only between slots and pools that are open and stay so."""
        open_slot = v[self.model.blocks["z"].slice] > 0.5
        weight = np.bincount(
            self._slot_session[self._direct_slot[open_slot[self._direct_slot]]], minlength=len(self._day)
        ).astype(float)
        middle = int(self._day[self.random.integers(len(self._day))])
        everywhere = np.ones(len(self._day), dtype=bool)
        sessions = self._window(everywhere, middle, 2 * size, weight)
        return only_open(self.model, free_sessions(self.model, v, sessions), open_slot)

    def _bench_days(self, v: Floats, size: float) -> Mask:
        j: int = int(self.random.integers(self._day.size))
        inside = self._bench == self._bench[j]
        return free_sessions(self.model, v, self._window(inside, int(self._day[j]), size))

    def _sources(self, v: Floats, size: float) -> Mask:
        """Free some sources that share bookings, within days that hold as many columns as wanted."""
        count = len(self.model.grid.sources)
        wanted = int(min(count, 3 + int(self.random.integers(6))))
        first = int(self.random.integers(count))
        near = self._related[first] + self.random.random(count)
        near[first] = np.inf
        sources = np.zeros(count, dtype=bool)
        sources[np.argsort(-near, kind="stable")[:wanted]] = True
        middle = int(self._day[self.random.integers(len(self._day))])
        share = max(wanted / count, 1e-9)
        everywhere = np.ones(len(self._day), dtype=bool)
        return free_sources(self.model, v, sources, self._window(everywhere, middle, size / share))

    def _unserved(self, v: Floats, size: float) -> Mask:
        """Free the sessions around the window of a booking with queens without a place."""
        grid, blocks = self.model.grid, self.model.blocks
        left = np.array([float(booking.queens) for booking in grid.bookings])
        for name, columns in (("x", [b for b, _ in grid.direct]), ("y", [b for b, _, _ in grid.pooled])):
            if columns:
                np.subtract.at(left, np.array(columns), v[blocks[name].slice])
        waiting = np.flatnonzero(left > 0.5)
        if not len(waiting):
            return self._days(v, size)
        booking = grid.bookings[int(waiting[self.random.integers(len(waiting))])]
        day = int(self.random.integers(booking.first_day, booking.last_day + 1))
        inside = np.isin(self._bench, booking.benches)
        if not inside.any():
            return self._days(v, size)
        return free_sessions(self.model, v, self._window(inside, day, size))
