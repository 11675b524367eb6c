"""The planner: relaxation, rounding, then solving pieces exactly until the time is up."""

from __future__ import annotations

import resource
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Literal

from .checker import check
from .drawing import plan_of
from .filling import filled
from .goals import GOALS, Goal
from .grid import grid_of
from .highs import solver_version
from .model import Model, model_of
from .plan import Plan, Result, Unserved
from .problem import Problem
from .reasons import explained
from .running import Search
from .stages import planned

Step = Literal["reading", "working_out", "checking"]

#: Kept back of the CPU budget for checking and explaining, as a share and at most so long. [-], [s]
_KEPT_BACK, _KEPT_BACK_MOST = 0.06, 5.0


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
        frozen and published kept, fairness with a little tolerance, most queens, then merit and age.
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
    grid = grid_of(problem)
    model = model_of(grid)
    search = Search(
        model=model,
        seed=seed,
        left=lambda: cpu_seconds - kept_back - spent(),
        stop=should_stop or (lambda: False),
        tell=lambda served, bound: tell("working_out", served, bound),
        valid=lambda v: not check(problem, plan_of(model, v)),
    )
    planned(search, goal)
    tell("checking", search.served, search.bound)
    if search.v is None:
        plan, fair = Plan(problem.name), 0.0
    else:
        plan = filled(problem, plan_of(model, search.v))
        fair = _lowest_share(model, plan)
    served = sum(placement.queens for placement in plan.assign)
    bound = max(search.bound, served)
    result = Result(
        served=served,
        requested=problem.requested,
        fair=fair,
        bound_served=bound,
        gap=(bound - served) / bound if bound else 0.0,
        status=search.status,
        solver=solver_version(),
        seed=seed,
        seconds=round(spent(), 3),
        peak_mb=round(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024, 1),
    )
    unserved: tuple[Unserved, ...] = explained(problem, plan, broken=search.broken)
    result = replace(result, unserved=unserved, seconds=round(spent(), 3))
    return replace(plan, result=result)


def _lowest_share(model: Model, plan: Plan) -> float:
    """Return the lowest served share of a member who can be served at all; 0 when there is none."""
    member_of = {booking.id: booking.member for booking in model.grid.bookings}
    served = dict.fromkeys(model.grid.members, 0)
    for placement in plan.assign:
        served[member_of[placement.booking]] += placement.queens
    names = model.grid.members
    return min((served[names[m]] / model.asked[m] for m in model.servable), default=0.0)
