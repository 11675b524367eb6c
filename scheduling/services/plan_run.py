"""Working out a plan, as the worker does: read the facts, search, check, keep as a sketch to check."""

import datetime as dt
from typing import Any

from django.db import transaction
from django.utils.translation import gettext as _

from accounts.models import JobState
from accounts.refusals import Refusal
from accounts.services.audit import audit_record
from accounts.services.jobs import JobHandle, Stopped
from scheduling.models import Plan, PlanState, Unserved
from scheduling.planning.checker import check
from scheduling.planning.plan import Plan as PurePlan
from scheduling.planning.plan import Reason, plan_to_json
from scheduling.planning.problem import Problem
from scheduling.planning.problem_file import problem_to_json
from scheduling.planning.solver import Progress, solve
from scheduling.queries.plan_rows import plan_rows_write
from scheduling.queries.plan_words import violation_words
from scheduling.queries.problem import facts_mark, problem_of


def plan_job(handle: JobHandle) -> dict[str, Any]:
    """The worker's part: read the facts, work out, check with the independent checker, keep."""
    plan = Plan.objects.select_related("season__cooperative", "based_on").get(pk=handle.arguments["plan"])
    handle.report(JobState.READING, step=_("Reading requests, sessions and drones"))
    now = handle.now
    problem = problem_of(plan.season, now=now)
    handle.report(
        JobState.WORKING,
        step=_("Working out places for %(queens)d queens") % {"queens": problem.requested},
    )
    pure = solve(
        problem,
        cpu_seconds=float(handle.arguments["seconds"]),
        seed=int(handle.arguments["seed"]),
        progress=lambda progress: _report(handle, progress, problem.requested),
        should_stop=handle.should_stop,
    )
    _report_checking(handle)
    violations = check(problem, pure)
    if violations and pure.result is not None and pure.result.status == "infeasible":
        raise Refusal(
            _("No plan keeps every rule. In the way: %(what)s") % {"what": violation_words(violations[0], problem)},
            rule=violations[0].rule,
        )
    if violations:
        raise RuntimeError(f"the solver's plan breaks rules: {'; '.join(map(str, violations[:5]))}")
    return _keep(plan, pure, problem, now=now)


def _report(handle: JobHandle, progress: Progress, requested: int) -> None:
    """Tell the waiting page the best plan so far. A wish to stop is seen by the solver itself."""
    if progress.step != "working_out":
        return  # reading and checking are told by the job's own states
    best = {"served": progress.served, "requested": requested, "bound": progress.bound}
    try:
        handle.report(
            step=_("Best so far: %(served)d of %(requested)d queens, at most %(bound)d possible") % best, best=best
        )
    except Stopped:
        return  # should_stop ends the search, and the best plan so far is kept


def _report_checking(handle: JobHandle) -> None:
    try:
        handle.report(JobState.CHECKING, step=_("Checking every rule"))
    except Stopped:
        return


def _keep(plan: Plan, pure: PurePlan, problem: Problem, *, now: dt.datetime) -> dict[str, Any]:
    assert pure.result is not None
    result = plan_to_json(pure)["result"]
    with transaction.atomic():
        plan = Plan.objects.select_for_update(of=("self",)).get(pk=plan.pk)
        if plan.state != PlanState.WORKING:
            raise Refusal(_("This sketch was set aside while it was being worked out."), rule="plan_not_working")
        plan_rows_write(plan, pure, problem)
        Unserved.objects.bulk_create(
            Unserved(
                plan=plan,
                booking_id=int(entry.booking),
                queens=entry.queens,
                reasons=[_reason_json(reason) for reason in entry.reasons],
            )
            for entry in pure.result.unserved
        )
        plan.state = PlanState.TO_CHECK
        plan.problem = problem_to_json(problem)
        plan.facts_mark = facts_mark(problem)
        plan.result = {key: value for key, value in result.items() if key != "unserved"}
        plan.no_full_fit = pure.result.served < pure.result.requested
        plan.save(update_fields=["state", "problem", "facts_mark", "result", "no_full_fit"])
        audit_record(
            plan,
            action="plan.worked_out",
            by=None,
            now=now,
            cooperative=plan.season.cooperative,
            after={"served": pure.result.served, "requested": pure.result.requested, "bound": pure.result.bound_served},
        )
    return {"plan": plan.pk, "served": pure.result.served, "requested": pure.result.requested}


def _reason_json(reason: Reason) -> dict[str, Any]:
    return {
        "key": reason.key,
        "numbers": reason.numbers,
        "gain": reason.gain,
        "also": [_reason_json(entry) for entry in reason.also],
    }
