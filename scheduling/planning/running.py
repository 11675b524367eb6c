"""A search in progress: its best point, what is proven, and improvement until the time is up."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from .goals import served_goal
from .highs import Answer
from .model import Floats, Model
from .neighbourhoods import Neighbourhoods
from .search import improved

#: Up to so many whole columns the whole program is given to the solver at once. [columns]
SMALL = 1500
#: Longest time for one piece, and its limit in nodes. [s], [nodes]
PIECE_SECONDS, PIECE_NODES = 2.0, 60
#: Pieces in a row without gain after which the search has run dry.
_DRY = 60
_DRY_SMALL = 25
#: Share of the CPU time that is given out as reckoned work: what is left is room for a slower machine. [-]
_RECKONED = 0.9
#: Left-over time for which the whole program is tried once more. [s]
_WORTH_RETRYING = 1.0
#: How many times longer a piece may take before a search that has run dry ends.
_MOST_EFFORT = 30
#: Share of the time for pieces where the whole program can be solved at once.
_PIECES_SHARE = 0.15


class Clock:
    """The time of one working-out, in reckoned seconds: counted work, so that a busy machine changes no plan.

    Parameters
    ----------
    seconds : float
        Also the guard: so much CPU time ends it, should the machine be slower than reckoned. What is left of that is
        then what is left: each goal gets its share, and not the first of them all. [s]
    """

    def __init__(self, seconds: float) -> None:
        self._left = _RECKONED * seconds
        self._until = time.process_time() + seconds

    def work(self, seconds: float) -> None:
        """Count work, reckoned in seconds."""
        self._left -= seconds

    def left(self) -> float:
        return max(0.0, min(self._left, self._until - time.process_time()))


@dataclass(slots=True)
class Search:
    """The best point so far, what is proven, and how the caller is asked and told.

    Parameters
    ----------
    left : callable
        CPU seconds that are left.
    stop : callable
        Whether to end now.
    tell : callable
        Told (served, bound).
    valid : callable
        The checker's word on a point.
    work : callable
        Told what the solver's calls took, reckoned. [s]
    """

    model: Model
    seed: int
    left: Callable[[], float]
    stop: Callable[[], bool]
    tell: Callable[[int, int], None]
    valid: Callable[[Floats], bool]
    work: Callable[[float], None] = lambda seconds: None
    v: Floats | None = None
    bound: int = 0
    status: str = "feasible"
    broken: tuple[str, ...] = ()
    pieces: int = 0

    @property
    def served(self) -> int:
        return round(self.v[self.model.blocks["S"].slice].sum()) if self.v is not None else 0

    @property
    def small(self) -> bool:
        return int(self.model.integer.sum()) <= SMALL

    def over(self) -> bool:
        return self.left() <= 0 or self.stop()

    def worked(self, answer: Answer) -> Answer:
        """Note what a call of the solver took."""
        self.work(answer.work)
        return answer

    def take(self, v: Floats) -> bool:
        """Keep a point when the checker finds nothing against it."""
        if not self.valid(v):
            return False
        self.v = v
        self.tell(self.served, self.bound)
        return True


def improve(search: Search, goal: Floats, *, until: float = 0.0, slack: float = 0.99) -> bool:
    """Improve the point until so many seconds are left; return whether it is proven best.

    A bound on queens is learned only when nothing but queens is counted and nothing is held.
    """
    model = search.model
    assert search.v is not None
    counts_queens = bool((goal == served_goal(model)).all() and not model.low[model.blocks["S"].slice].any())
    if not search.small:
        return improve_by_pieces(search, goal, until=until, slack=slack, counts_queens=counts_queens)
    seed = search.seed
    while True:
        pieces_until = until + (search.left() - until) * (1 - _PIECES_SHARE)
        if improve_by_pieces(
            search, goal, until=pieces_until, slack=slack, counts_queens=counts_queens, dry_after=_DRY_SMALL
        ):
            return True
        v, answer = solve_whole(search, goal, search.v, search.left() - until, slack, seed)
        if counts_queens:
            search.bound = min(search.bound, whole(answer.bound))
        taken = v is search.v or search.take(v)
        if answer.proven and taken:
            return True
        # The solver's clock is on the wall: on a busy machine CPU time is left, and another seed may help.
        seed += 1
        if answer.proven or search.left() - until < _WORTH_RETRYING or search.stop():
            return False


def solve_whole(
    search: Search, goal: Floats, v: Floats, seconds: float, slack: float, seed: int = 0
) -> tuple[Floats, Answer]:
    """Improve a point with every column free."""
    everything = np.ones(search.model.columns, dtype=bool)
    better, answer = improved(
        search.model,
        goal,
        v,
        everything,
        seconds=max(seconds, 0.05),
        nodes=10**7,
        seed=seed,
        slack=slack,
    )
    return better, search.worked(answer)


def improve_by_pieces(
    search: Search,
    goal: Floats,
    *,
    until: float,
    slack: float = 0.99,
    counts_queens: bool = False,
    dry_after: int = _DRY,
) -> bool:
    """Solve pieces until so many seconds are left or nothing more is gained; return whether proven best."""
    model = search.model
    choose = Neighbourhoods(model, search.seed)
    dry, effort = 0, 1
    while search.left() > until and not search.stop():
        if counts_queens and search.served >= search.bound:
            return True
        if dry >= dry_after:
            # Gone dry: look longer at each piece before giving up.
            dry, effort = 0, 3 * effort
            if search.small or effort > _MOST_EFFORT:
                break
        assert search.v is not None
        arm, free = choose.draw(search.v)
        search.pieces += 1
        before = float(goal @ search.v)
        v, answer = improved(
            model,
            goal,
            search.v,
            free,
            seconds=min(PIECE_SECONDS * effort, search.left() - until),
            nodes=PIECE_NODES * effort,
            seed=search.seed + search.pieces,
            slack=slack,
        )
        search.worked(answer)
        gain = float(goal @ v) - before
        if gain > 0 and not search.take(v):
            gain = 0.0
        dry = 0 if gain > 0 else dry + 1
        choose.learn(arm, gain=gain, proven=answer.proven)
    return counts_queens and search.served >= search.bound


def whole(bound: float) -> int:
    """Round a bound on a whole number down, allowing for the solver's tolerance."""
    return int(np.floor(bound + 1e-5)) if bound < 1e15 else 10**15
