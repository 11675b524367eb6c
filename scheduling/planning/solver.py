"""The planner: relaxation, rounding, then solving pieces exactly until the time is up."""

from __future__ import annotations

import math
import resource
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Literal

from .checker import check
from .drawing import plan_of
from .filling import filled
from .first_order import nearly_solved
from .goals import GOALS, Goal
from .grid import grid_of, most_queens
from .highs import solver_version
from .model import model_of
from .packing import Packing
from .plan import Plan, Result, Unserved
from .problem import Booking, Problem
from .reasons import explained
from .running import Clock, Search
from .stages import planned
from .windows import plan_in_windows

Step = Literal["reading", "working_out", "checking"]

#: Kept back of the CPU budget for checking and explaining, as a share and at most so long. [-], [s]
_KEPT_BACK, _KEPT_BACK_MOST = 0.06, 5.0
#: Above about so many places of queens a season is planned some days at a time.
_MANY_COLUMNS = 250_000
#: Reckoned time of numbering the season, writing its program, the hand rules and rounding, for a column. [s]
_PER_COLUMN = 2.5e-5
#: Bounding a very large season: at most so many steps, in at most this share of the time, until the error is this
#: share of the bound; and the reckoned time of a step, for a column. [-], [-], [-], [s]
_BOUND_STEPS, _BOUND_SHARE, _BOUND_ERROR, _PER_STEP_COLUMN = 2400, 0.1, 5e-3, 3.2e-8


@dataclass(frozen=True, slots=True)
class Progress:
    """How far the planner is.

    Parameters
    ----------
    step : str
        ``reading``, ``working_out`` or ``checking``.
    served, bound : int
        Queens in the best plan so far, and no plan serves more. [queens]
    seconds : float
        CPU time used. [s]
    """

    step: Step
    served: int
    bound: int
    seconds: float


def solve(
    problem: Problem,
    *,
    goal: Goal = "all",
    cpu_seconds: float = 20.0,
    seed: int = 0,
    progress: Callable[[Progress], None] | None = None,
    should_stop: Callable[[], bool] | None = None,
) -> Plan:
    """Plan a season.

    Parameters
    ----------
    problem : Problem
    goal : {"all", "served", "fair", "served_fair"}
        ``served``: most queens. ``fair`` and ``served_fair``: highest lowest share, then most queens. ``all``:
        frozen and published kept, fairness with a little tolerance, most queens, then merit and age, then with a little
        tolerance the sources' targets.
    cpu_seconds : float
        CPU time of this call. [s]
    seed : int
        Of the search's own choices. The same seed tries the same pieces in the same order; the time decides
        only how many.
    progress : callable, optional
        Told each time something is better.
    should_stop : callable, optional
        Asked often; True ends the search with the best plan so far.

    Returns
    -------
    Plan
        Valid by `checker.check`, with its result. ``result.status`` tells how it ended: an empty season, no
        possible plan and a lack of time are results, not errors.

    Raises
    ------
    ValueError
        When the goal is unknown or the time is not positive.
    """
    if goal not in GOALS:
        raise ValueError(f"goal is {goal!r}, must be one of {', '.join(GOALS)}")
    if not cpu_seconds > 0:
        raise ValueError(f"cpu_seconds is {cpu_seconds}, must be above 0")
    began = time.process_time()
    kept_back = min(_KEPT_BACK * cpu_seconds, _KEPT_BACK_MOST)

    def spent() -> float:
        return time.process_time() - began

    def tell(step: Step, served: int, bound: int) -> None:
        if progress is not None:
            progress(Progress(step, served, bound, round(spent(), 2)))

    tell("reading", 0, problem.requested)
    stop = should_stop or (lambda: False)
    found = None
    if columns_about(problem) > _MANY_COLUMNS:
        found = _in_windows(problem, goal, cpu_seconds - kept_back, seed, stop, tell)
    if found is None:
        found = _at_once(
            problem,
            goal,
            Clock(cpu_seconds - kept_back - spent()),
            seed,
            stop,
            lambda *told: tell("working_out", *told),
        )
    plan, fair, bound, status, broken = found.plan, found.fair, found.bound, found.status, found.broken
    tell("checking", found.served, bound)
    served = found.served
    bound = max(bound, served)
    result = Result(
        served=served,
        requested=problem.requested,
        fair=fair,
        bound_served=bound,
        gap=(bound - served) / bound if bound else 0.0,
        status=status,
        solver=solver_version(),
        seed=seed,
        seconds=round(spent(), 3),
        peak_mb=round(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024, 1),
    )
    unserved: tuple[Unserved, ...] = explained(problem, plan, broken=broken)
    result = replace(result, unserved=unserved, seconds=round(spent(), 3))
    return replace(plan, result=result)


@dataclass(frozen=True, slots=True)
class _Found:
    """A plan without its result, and what is known of it."""

    plan: Plan
    fair: float
    bound: int
    status: str
    broken: tuple[str, ...] = ()

    @property
    def served(self) -> int:
        return sum(placement.queens for placement in self.plan.assign)


def _at_once(
    problem: Problem,
    goal: Goal,
    clock: Clock,
    seed: int,
    stop: Callable[[], bool],
    tell: Callable[[int, int], None],
) -> _Found:
    """Plan a season as a whole."""
    model = model_of(grid_of(problem))
    clock.work(_PER_COLUMN * model.columns)
    search = Search(
        model=model,
        seed=seed,
        left=clock.left,
        stop=stop,
        tell=tell,
        valid=lambda v: not check(problem, plan_of(model, v)),
        work=clock.work,
    )
    planned(search, goal)
    if search.v is None:
        return _Found(Plan(problem.name), 0.0, search.bound, search.status, search.broken)
    plan = filled(problem, plan_of(model, search.v))
    shares = _shares(model.grid.bookings, plan, {model.grid.members[m] for m in model.servable})
    return _Found(plan, min(shares, default=0.0), search.bound, search.status, search.broken)


def _in_windows(
    problem: Problem,
    goal: Goal,
    seconds: float,
    seed: int,
    stop: Callable[[], bool],
    tell: Callable[[Step, int, int], None],
) -> _Found | None:
    """Plan a very large season some days at a time; None when that breaks a rule of the whole."""
    bound, bounding = _bound_of_whole(problem, seconds, stop)
    tell("working_out", 0, bound)

    def part(season: Problem, part_seconds: float, before: int) -> Plan:
        found = _at_once(
            season,
            goal,
            Clock(part_seconds),
            seed,
            stop,
            lambda served, _: tell("working_out", before + served, bound),
        )
        return found.plan

    plan = plan_in_windows(problem, part, seconds - bounding)
    if check(problem, plan):
        return None
    shares = _shares(problem.bookings, plan, {booking.member for booking in problem.bookings})
    return _Found(plan, min(shares, default=0.0), bound, "feasible")


def _bound_of_whole(problem: Problem, seconds: float, stop: Callable[[], bool]) -> tuple[int, float]:
    """Return what no plan of a very large season serves more than, and the reckoned time that proving it took.

    Bench minutes and places alone where nothing can be placed at all. [queens], [s]
    """
    sessions = [day for bench in problem.benches for day in bench.days if day.op_minutes]
    counted = min(problem.requested, sum(most_queens(day.op_minutes, 1, day, problem) for day in sessions))
    grid = grid_of(problem)
    if not grid.direct and not grid.parts:
        return counted, 0.0
    packing = Packing(grid)
    per_step = _PER_STEP_COLUMN * packing.columns
    steps = min(_BOUND_STEPS, int(_BOUND_SHARE * seconds / per_step))
    near = nearly_solved(packing, error=_BOUND_ERROR, steps=steps, stop=stop)
    return min(counted, math.floor(near.bound + 1e-6)), per_step * near.steps + _PER_COLUMN * packing.columns


def columns_about(problem: Problem) -> int:
    """Return about how many places of queens there are: bookings by days of their window, benches and sources."""
    days = (min(b.last_day, problem.days - 1) - max(b.first_day, 0) + 1 for b in problem.bookings)
    return sum(
        max(0, n) * len(booking.benches) * len(booking.sources)
        for n, booking in zip(days, problem.bookings, strict=True)
    )


def _shares(bookings: Sequence[Booking], plan: Plan, members: set[str]) -> list[float]:
    """Return the served share of each of these members."""
    member_of = {booking.id: booking.member for booking in bookings}
    asked, served = dict.fromkeys(members, 0), dict.fromkeys(members, 0)
    for booking in bookings:
        if booking.member in asked:
            asked[booking.member] += booking.queens
    for placement in plan.assign:
        served[member_of[placement.booking]] += placement.queens
    return [served[member] / asked[member] for member in sorted(members) if asked[member]]
