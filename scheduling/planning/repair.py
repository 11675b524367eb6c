"""Repair: the facts have changed since the plan was published; who has to move, and what would more moves gain?

First everything that still fits is kept and the freed places are filled: nobody moves who could stay. Then places
are won by moving others, first one at a time, then two and three for a queen; at last by exact pieces, each move at a
price. So a curve arises, queens moved against queens served, and people choose on it.
"""

from __future__ import annotations

import random
import time
from collections.abc import Callable
from dataclasses import dataclass

from .checker import Violation, check
from .plan import Plan
from .problem import Problem
from .repair_chains import Chains
from .repair_ground import Ground, KeptState, ground_of
from .repair_keep import first_repair
from .repair_prices import priced
from .rows import PlaceKey, place_key

#: Published queens that may move for one queen more, in the order in which they are tried.
PRICES = (0, 1, 2, 3)
#: Exchanges tried for each queen asked, and at least. [-]
_TRIALS_A_QUEEN, _LEAST_TRIALS = 150, 20_000
#: Pieces solved exactly at each price.
PIECES = 60


@dataclass(frozen=True, slots=True)
class Point:
    """One repaired plan.

    Parameters
    ----------
    moved : int
        Published queens that are not where members were told: elsewhere, or without a place. [queens]
    served : int
        Queens with a place. [queens]
    plan : Plan
        Valid by `checker.check`; without a result.
    """

    moved: int
    served: int
    plan: Plan


@dataclass(frozen=True, slots=True)
class Repair:
    """The curve of a repair.

    Parameters
    ----------
    told : int
        Queens in the published plan. [queens]
    points : tuple of Point
        By queens moved; each serves more than the one before it. Empty when nothing that was tried keeps every rule.
    broken : tuple of Violation
        What the first repair breaks, when there are no points.
    seconds, first_seconds : float
        CPU time altogether, and until the first point. [s]
    """

    told: int
    points: tuple[Point, ...]
    broken: tuple[Violation, ...]
    seconds: float
    first_seconds: float

    @property
    def fewest(self) -> Point:
        """The point with the fewest moves."""
        return self.points[0]

    @property
    def most(self) -> Point:
        """The point that serves most queens."""
        return self.points[-1]

    @property
    def balanced(self) -> Point:
        """The point furthest above the straight line between the two ends; the earliest on a tie."""
        moves, gain = self.most.moved - self.fewest.moved, self.most.served - self.fewest.served

        def above(point: Point) -> int:
            return (point.served - self.fewest.served) * moves - (point.moved - self.fewest.moved) * gain

        return max(self.points, key=lambda point: (above(point), -point.moved))


def repair(
    problem: Problem,
    published: Plan,
    *,
    seed: int = 0,
    cpu_seconds: float = 20.0,
    trials: int | None = None,
    pieces: int = PIECES,
    progress: Callable[[Point], None] | None = None,
    should_stop: Callable[[], bool] | None = None,
) -> Repair:
    """Repair a published plan on new facts.

    Parameters
    ----------
    problem : Problem
        The facts as they are now; what it says of published placements is not looked at, its frozen ones stay.
    published : Plan
        What members were told.
    seed : int
        Decides between members with the same share. The same seed gives the same points unless the time ends it.
    cpu_seconds : float
        CPU time of this call; the first point is always worked out. [s]
    trials : int, optional
        How many exchanges may be tried; by default in proportion to the queens asked.
    pieces : int
        How many pieces are solved exactly at each price of a move; 0 for none.
    progress : callable, optional
        Told each point as it is found; the first is the one with the fewest moves.
    should_stop : callable, optional
        Asked often; True ends the search with the points so far.

    Raises
    ------
    ValueError
        When the time or the trials are not positive, or the pieces negative.
    """
    if not cpu_seconds > 0:
        raise ValueError(f"cpu_seconds is {cpu_seconds}, must be above 0")
    if trials is not None and trials < 1:
        raise ValueError(f"trials is {trials}, must be above 0")
    if pieces < 0:
        raise ValueError(f"pieces is {pieces}, must not be below 0")
    began = time.process_time()

    def left() -> float:
        if should_stop is not None and should_stop():
            return 0.0
        return cpu_seconds - (time.process_time() - began)

    def over() -> bool:
        return left() <= 0

    ground = ground_of(problem, published)
    order = _order(ground, seed)
    state = first_repair(ground, order)
    most = trials or max(_LEAST_TRIALS, _TRIALS_A_QUEEN * problem.requested)
    chains = Chains(ground, state, order, most // 20, over)
    chains.serve(moves=0, depth=1, found=lambda: None)
    first = _point(ground, state)
    broken = check(problem, first.plan)
    first_seconds = time.process_time() - began
    if broken:
        return Repair(ground.told, (), tuple(broken), first_seconds, first_seconds)
    points = [first]
    if progress is not None:
        progress(first)
    states: list[tuple[int, int, KeptState]] = []
    chains.trials = most
    for price in PRICES:
        while chains.serve(
            moves=price,
            depth=max(1, price),
            found=lambda: states.append((ground.moved(state), state.served, state.copied())),
        ):
            pass
    for moved, served, found in _best(states, first):
        point = Point(moved, served, ground.plan_of(found))
        if not check(problem, point.plan):
            points.append(point)
            if progress is not None:
                progress(point)
    for plan in priced(problem, published, points[-1].plan, seed=seed, pieces=pieces, left=left):
        point = Point(_moved(problem, published, plan), sum(entry.queens for entry in plan.assign), plan)
        if not check(problem, plan):
            points.append(point)
            if progress is not None:
                progress(point)
    points = list(_curve(points))
    return Repair(ground.told, tuple(points), (), time.process_time() - began, first_seconds)


def _order(ground: Ground, seed: int) -> list[int]:
    order = list(range(len(ground.grid.bookings)))
    if seed:
        random.Random(seed).shuffle(order)  # noqa: S311 (a search, not a secret)
    return order


def _point(ground: Ground, state: KeptState) -> Point:
    return Point(ground.moved(state), state.served, ground.plan_of(state))


def _moved(problem: Problem, told: Plan, plan: Plan) -> int:
    """Return the told queens that are not where they were, those who ask no more left out. [queens]"""
    now, was = _counts(plan), _counts(told)
    asked = {booking.id: booking.queens for booking in problem.bookings}
    told_of: dict[str, int] = {}
    for (booking, *_), n in was.items():
        told_of[booking] = told_of.get(booking, 0) + n
    fewer = sum(max(0, n - asked.get(booking, 0)) for booking, n in told_of.items())
    return sum(max(0, n - now.get(key, 0)) for key, n in was.items()) - fewer


def _counts(plan: Plan) -> dict[PlaceKey, int]:
    counts: dict[PlaceKey, int] = {}
    for placement in plan.assign:
        counts[place_key(placement)] = counts.get(place_key(placement), 0) + placement.queens
    return counts


def _best(states: list[tuple[int, int, KeptState]], first: Point) -> list[tuple[int, int, KeptState]]:
    """Return the states of which no other serves as many with as few moves, by moves."""
    kept: list[tuple[int, int, KeptState]] = []
    served = first.served
    for entry in sorted(states, key=lambda entry: (entry[0], -entry[1])):
        if entry[1] > served:
            kept.append(entry)
            served = entry[1]
    return kept


def _curve(points: list[Point]) -> list[Point]:
    kept: list[Point] = []
    for point in sorted(points, key=lambda point: (point.moved, -point.served)):
        if not kept or point.served > kept[-1].served:
            kept.append(point)
    return kept
