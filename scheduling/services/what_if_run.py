"""The worker's part of a what-if: both repairs, with the same effort. Writes nothing but the answer."""

from dataclasses import replace
from typing import Any

from django.utils.translation import gettext as _

from accounts.models import JobState
from accounts.refusals import Refusal
from accounts.services.jobs import JobHandle, Stopped
from scheduling.models import Plan
from scheduling.planning.plan import plan_to_json
from scheduling.planning.problem import Problem
from scheduling.planning.repair import Point, Repair
from scheduling.planning.what_if import what_if
from scheduling.queries.plan_rows import pure_plan
from scheduling.queries.plan_words import violation_words
from scheduling.queries.plans import plan_in_force
from scheduling.queries.problem import problem_of
from scheduling.queries.what_if import WhatIf
from scheduling.services.plan_repair_run import result_of


def what_if_job(handle: JobHandle) -> dict[str, Any]:
    plan = Plan.objects.select_related("season__cooperative").filter(pk=handle.arguments["plan"]).first()
    if plan is None:
        raise Refusal(_("The plan this was asked of is gone."), rule="what_if_plan")
    handle.report(JobState.READING, step=_("Reading requests, sessions and drones"))
    base = plan_in_force(plan.season)
    now = problem_of(plan.season, now=handle.now)
    question = WhatIf(plan.season, handle.arguments["change"])
    then = question.problem(now=handle.now)
    handle.report(JobState.WORKING, step=_("Moving few, on the facts as they are and as they would be"))
    found = what_if(
        now,
        then,
        pure_plan(plan, now),
        seed=int(handle.arguments["seed"]),
        cpu_seconds=float(handle.arguments["seconds"]),
        progress=lambda point: _report(handle, point, then.requested),
        should_stop=handle.should_stop,
    )
    for problem, curve in ((now, found.now), (then, found.then)):
        if not curve.points:
            raise Refusal(
                _("No plan keeps every rule. In the way: %(what)s")
                % {"what": violation_words(curve.broken[0], problem)},
                rule=curve.broken[0].rule,
            )
    return {
        "plan": plan.pk,
        "base": [base.pk, base.version] if base is not None else None,
        "first_day": now.meta["first_day"],
        "now": [
            {key: value for key, value in point.items() if key != "plan"} for point in _points(handle, found.now, now)
        ],
        "then": _points(handle, found.then, then),
    }


def _report(handle: JobHandle, point: Point, requested: int) -> None:
    best = {"served": point.served, "requested": requested, "moved": point.moved}
    try:
        handle.report(step=_("%(moved)d queens move, %(served)d of %(requested)d have a place") % best, best=best)
    except Stopped:
        return  # should_stop ends the search, and the points so far are kept


def _points(handle: JobHandle, found: Repair, problem: Problem) -> list[dict[str, Any]]:
    """Both ends of the curve by name; where they are the same plan, it has both names."""
    named = {"fewest": found.fewest, "most": found.most}
    points = [found.fewest] if found.fewest == found.most else [found.fewest, found.most]
    return [
        {
            "names": [name for name, named_point in named.items() if named_point == point],
            "moved": point.moved,
            "served": point.served,
            "plan": plan_to_json(
                replace(
                    point.plan,
                    result=result_of(problem, point, seed=int(handle.arguments["seed"]), seconds=found.seconds),
                )
            ),
        }
        for point in points
    ]
