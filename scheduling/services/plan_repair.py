"""Choosing between repairs: the sketch becomes the choice that somebody takes."""

import datetime as dt

from django.db import transaction
from django.utils.translation import gettext as _

from accounts.models import Person
from accounts.refusals import Refusal
from accounts.services.audit import audit_record
from scheduling.models import Plan, PlanState
from scheduling.planning.checker import check
from scheduling.planning.plan import plan_from_json
from scheduling.queries.plan_rows import plan_rows_write
from scheduling.queries.plan_words import violation_words
from scheduling.queries.plans import SKETCHES
from scheduling.queries.problem import problem_of
from scheduling.queries.repair import choices_of, planned_on
from scheduling.services.plan_results import plan_results_refresh
from scheduling.services.plans import told_places


def repair_choose(plan: Plan, *, name: str, version: int | None, by: Person, now: dt.datetime) -> Plan:
    """Put one choice of a repair into its sketch. Nobody is told before it is published."""
    with transaction.atomic():
        plan = Plan.objects.select_for_update(of=("self",)).select_related("season__cooperative", "job").get(pk=plan.pk)
        if plan.state not in SKETCHES:
            raise Refusal(_("Only a sketch can be changed. Start the repair again."), rule="plan_not_sketch")
        if version is not None and plan.version != version:
            raise Refusal(
                _("Somebody changed this sketch meanwhile. Look at it as it is now, then choose again."),
                rule="plan_version",
            )
        choice = next((choice for choice in choices_of(plan) if name in choice["names"]), None)
        if choice is None:
            raise Refusal(_("This is no choice of this repair."), rule="repair_choice")
        problem = problem_of(plan.season, now=now)
        if problem.meta["first_day"] != plan.problem["meta"]["first_day"]:
            raise Refusal(
                _("This repair was worked out on another day. Start it again with the facts of today."),
                rule="repair_day",
            )
        pure = plan_from_json(choice["plan"])
        violations = check(problem, pure)
        if violations:
            raise Refusal(
                _("The facts have changed since this was worked out: %(what)s Start the repair again.")
                % {"what": violation_words(violations[0], problem)},
                rule=violations[0].rule,
            )
        before = told_places(plan)
        plan_rows_write(plan, pure, problem)
        plan_results_refresh(plan, planned_on(plan, problem))
        plan.version += 1
        plan.state = PlanState.TO_CHECK
        plan.save(update_fields=["version", "state", "result", "no_full_fit"])
        audit_record(
            plan,
            action="plan.repair_choose",
            by=by,
            now=now,
            cooperative=plan.season.cooperative,
            before=before,
            after={"choice": name, **told_places(plan)},
        )
    return plan
