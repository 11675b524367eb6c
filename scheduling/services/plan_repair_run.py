"""The worker's part of a repair: what was told, on the facts of now; three choices, each checked."""

import resource
from dataclasses import replace
from typing import Any

from django.utils.translation import gettext as _

from accounts.refusals import Refusal
from accounts.services.jobs import JobHandle, Stopped
from scheduling.models import Plan
from scheduling.planning.grid import Grid, grid_of
from scheduling.planning.plan import Plan as PurePlan
from scheduling.planning.plan import Result, plan_to_json
from scheduling.planning.problem import Problem
from scheduling.planning.reasons import explained
from scheduling.planning.repair import Point, Repair, repair
from scheduling.queries.plan_words import violation_words
from scheduling.queries.repair import told_plan


def repaired(handle: JobHandle, base: Plan | None, problem: Problem) -> tuple[PurePlan, list[dict[str, Any]]]:
    """Return the repaired plan with the fewest moves, and the choices as they are kept with the job."""
    if base is None:
        raise Refusal(_("No plan is published any more, so there is none to repair."), rule="repair_no_plan")
    found = repair(
        problem,
        told_plan(base, problem),
        seed=int(handle.arguments["seed"]),
        cpu_seconds=float(handle.arguments["seconds"]),
        progress=lambda point: _report(handle, point, problem.requested),
        should_stop=handle.should_stop,
    )
    if not found.points:
        raise Refusal(
            _("No plan keeps every rule. In the way: %(what)s") % {"what": violation_words(found.broken[0], problem)},
            rule=found.broken[0].rule,
        )
    return _with_result(handle, found, problem), _choices(found)


def _report(handle: JobHandle, point: Point, requested: int) -> None:
    best = {"served": point.served, "requested": requested, "moved": point.moved}
    try:
        handle.report(
            step=_("%(moved)d queens move, %(served)d of %(requested)d have a place") % best,
            best=best,
        )
    except Stopped:
        return  # should_stop ends the search, and the points so far are kept


def _choices(found: Repair) -> list[dict[str, Any]]:
    """The three by name; where two are the same plan, it has both names."""
    named = {"fewest": found.fewest, "balanced": found.balanced, "most": found.most}
    points: list[Point] = []
    for point in named.values():
        if point not in points:
            points.append(point)
    return [
        {
            "names": [name for name, named_point in named.items() if named_point == point],
            "moved": point.moved,
            "served": point.served,
            "told": found.told,
            "plan": plan_to_json(point.plan),
        }
        for point in points
    ]


def _with_result(handle: JobHandle, found: Repair, problem: Problem) -> PurePlan:
    result = result_of(problem, found.fewest, seed=int(handle.arguments["seed"]), seconds=found.seconds)
    return replace(found.fewest.plan, result=replace(result, unserved=explained(problem, found.fewest.plan)))


def result_of(problem: Problem, point: Point, *, seed: int, seconds: float) -> Result:
    """How good a point of a repair is, without who is left over; the bound is counted, not searched for."""
    grid = grid_of(problem)
    bound = max(_counted_bound(grid), point.served)
    return Result(
        served=point.served,
        requested=problem.requested,
        fair=_lowest_share(point.plan, grid),
        bound_served=bound,
        gap=(bound - point.served) / bound if bound else 0.0,
        status="feasible",
        solver="repair",
        seed=seed,
        seconds=round(seconds, 3),
        peak_mb=round(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024, 1),
    )


def _counted_bound(grid: Grid) -> int:
    """No plan serves more than queens with a possible place, nor more than the sessions hold. [queens]"""
    bookings = {b for b, _ in grid.direct} | {b for b, _, _ in grid.pooled}
    return min(sum(grid.bookings[b].queens for b in bookings), sum(session.queens for session in grid.sessions))


def _lowest_share(plan: PurePlan, grid: Grid) -> float:
    served: dict[int, int] = {}
    number = {booking.id: b for b, booking in enumerate(grid.bookings)}
    for placement in plan.assign:
        member = grid.member_of[number[placement.booking]]
        served[member] = served.get(member, 0) + placement.queens
    asked: dict[int, int] = {}
    for b, booking in enumerate(grid.bookings):
        asked[grid.member_of[b]] = asked.get(grid.member_of[b], 0) + booking.queens
    return min((served.get(m, 0) / asked[m] for m in grid.served_members()), default=0.0)
