"""Working out a plan, as the worker does: read the facts, search, check, keep as a sketch to check."""

import datetime as dt
from typing import Any

from django.db import transaction
from django.utils.translation import gettext as _

from accounts.models import JobState
from accounts.refusals import Refusal
from accounts.services.audit import audit_record
from accounts.services.jobs import JobHandle, Stopped
from scheduling.models import Booking, Plan, PlanState
from scheduling.planning.checker import check
from scheduling.planning.goals import Goal
from scheduling.planning.plan import Plan as PurePlan
from scheduling.planning.plan import plan_to_json
from scheduling.planning.problem import Problem
from scheduling.planning.problem_file import problem_to_json
from scheduling.planning.solver import Progress, solve
from scheduling.queries.acceptable import acceptable_sources
from scheduling.queries.plan_rows import first_day_of, plan_rows_write
from scheduling.queries.plan_words import violation_words
from scheduling.queries.plans import plan_in_force
from scheduling.queries.problem import problem_of
from scheduling.queries.repair import planned_on
from scheduling.queries.worked_out import facts_mark
from scheduling.services.plan_parts import solved_in_parts
from scheduling.services.plan_repair_run import repaired
from scheduling.services.plan_results import plan_results_refresh


def plan_job(handle: JobHandle) -> dict[str, Any]:
    """The worker's part: read the facts, work out, check with the independent checker, keep."""
    plan = Plan.objects.select_related("season__cooperative", "based_on").get(pk=handle.arguments["plan"])
    handle.report(JobState.READING, step=_("Reading requests, sessions and drones"))
    now = handle.now
    base = _note_base(plan)
    problem = problem_of(plan.season, now=now)
    if "repair" in handle.arguments:
        return _repair(handle, plan, base, problem, now=now)
    handle.report(
        JobState.WORKING,
        step=_("Working out places for %(queens)d queens") % {"queens": problem.requested},
    )
    goal: Goal = "all" if plan.season.even_shares_first else "served"
    seconds, seed = float(handle.arguments["seconds"]), int(handle.arguments["seed"])
    pure = solved_in_parts(handle, problem, goal=goal, seconds=seconds, seed=seed) or solve(
        problem,
        cpu_seconds=seconds,
        seed=seed,
        goal=goal,
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
    return _keep(handle, plan, pure, problem, now=now)


def _repair(handle: JobHandle, plan: Plan, base: Plan | None, problem: Problem, *, now: dt.datetime) -> dict[str, Any]:
    """Move few instead of planning anew: the sketch is the choice with the fewest moves, the others stand beside it."""
    handle.report(JobState.WORKING, step=_("Looking for the fewest moves"))
    pure, choices = repaired(handle, base, planned_on(plan, problem))
    _report_checking(handle)
    kept = _keep(handle, plan, pure, problem, now=now)
    return {**kept, "choices": choices}


def _note_base(plan: Plan) -> Plan | None:
    """Which plan in force, and which version of it, is read. First this, then the facts: what changes between makes
    the sketch stale, never silently old."""
    base = plan_in_force(plan.season)
    Plan.objects.filter(pk=plan.pk, state=PlanState.WORKING).update(
        based_on=base, base_version=base.version if base else None
    )
    return base


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


def _hold(handle: JobHandle) -> None:
    """Only who holds the job writes its result: a worker that was taken for dead and woke up ends here (LeaseLost)."""
    try:
        handle.report()
    except Stopped:
        return  # the best plan so far is kept


def _report_checking(handle: JobHandle) -> None:
    try:
        handle.report(JobState.CHECKING, step=_("Checking every rule"))
    except Stopped:
        return


def _keep(handle: JobHandle, plan: Plan, pure: PurePlan, problem: Problem, *, now: dt.datetime) -> dict[str, Any]:
    assert pure.result is not None
    result = plan_to_json(pure)["result"]
    left = [int(entry.booking) for entry in pure.result.unserved]
    bookings = Booking.objects.filter(pk__in=left).select_related("batch__mother").prefetch_related("accepted")
    acceptable = acceptable_sources(plan.season, bookings, today=first_day_of(problem))
    with transaction.atomic():
        _hold(handle)
        plan = Plan.objects.select_for_update(of=("self",)).select_related("season__cooperative").get(pk=plan.pk)
        if plan.state != PlanState.WORKING:
            raise Refusal(_("This sketch was set aside while it was being worked out."), rule="plan_not_working")
        plan_rows_write(plan, pure, problem)
        plan.state = PlanState.TO_CHECK
        plan.problem = problem_to_json(problem)
        plan.facts_mark = facts_mark(problem)
        plan.result = {key: value for key, value in result.items() if key != "unserved"}
        plan_results_refresh(plan, planned_on(plan, problem), acceptable=acceptable)
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
