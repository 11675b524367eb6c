"""Asking for a plan to be worked out. The worker's part is in ``plan_run``, which loads the solver."""

import datetime as dt

from django.db import transaction
from django.utils.translation import gettext as _

from accounts.models import Person
from accounts.refusals import Refusal
from accounts.services.audit import audit_record
from accounts.services.jobs import job_ask
from scheduling.models import Plan, PlanState, Season
from scheduling.queries.plans import plan_in_force, plan_open_run
from scheduling.queries.problem import problem_of

DEFAULT_SECONDS = 20.0
SEED = 1


def plan_ask(season: Season, *, by: Person, now: dt.datetime, seconds: float = DEFAULT_SECONDS) -> Plan:
    """Put the working-out of a new sketch in line. While one is being worked out, that one is returned."""
    if season.closed_at is not None:
        raise Refusal(_("%(season)s is closed.") % {"season": season}, rule="season_closed")
    with transaction.atomic():
        season = Season.objects.select_for_update(of=("self",)).get(pk=season.pk)
        running = plan_open_run(season)
        if running is not None:
            return running
        problem = problem_of(season, now=now)
        if not problem.bookings:
            raise Refusal(_("Nobody asks for a place yet, so there is nothing to plan."), rule="plan_needs_bookings")
        if not any(bench.days for bench in problem.benches):
            raise Refusal(_("There is no bench day ahead. Open a bench session first."), rule="plan_needs_sessions")
        plan = Plan.objects.create(
            season=season, state=PlanState.WORKING, based_on=plan_in_force(season), created_at=now, created_by=by
        )
        plan.job = job_ask(
            "plan",
            cooperative=season.cooperative,
            by=by,
            now=now,
            arguments={"plan": plan.pk, "seconds": seconds, "seed": SEED},
        )
        plan.save(update_fields=["job"])
        audit_record(plan, action="plan.ask", by=by, now=now, cooperative=season.cooperative)
    return plan
