"""Asking for a plan to be worked out. The worker's part is in ``plan_run``, which loads the solver."""

import datetime as dt
from collections.abc import Iterable
from typing import Any

from django.db import transaction
from django.utils.translation import gettext as _

from accounts.models import Person
from accounts.refusals import Refusal
from accounts.services.audit import audit_record
from accounts.services.jobs import job_ask
from scheduling.models import BenchSession, DroneSource, Plan, PlanState, Season
from scheduling.queries.plans import plan_in_force, plan_open_run
from scheduling.queries.problem import problem_of

DEFAULT_SECONDS = 20.0
SEED = 1


def repair_ask(
    season: Season,
    *,
    sessions: Iterable[BenchSession] = (),
    sources: Iterable[DroneSource] = (),
    by: Person,
    now: dt.datetime,
) -> Plan:
    """Put a repair of the plan in force in line: the facts as they are now, and without these sessions and sources.

    While a plan is being worked out, that one is returned.
    """
    if plan_in_force(season) is None:
        raise Refusal(_("No plan is published yet, so there is none to repair. Work one out."), rule="repair_no_plan")
    without = {
        "sessions": sorted(session.pk for session in sessions),
        "sources": sorted(source.pk for source in sources),
    }
    return plan_ask(season, by=by, now=now, more={"repair": without})


def plan_ask(
    season: Season,
    *,
    by: Person,
    now: dt.datetime,
    seconds: float = DEFAULT_SECONDS,
    more: dict[str, Any] | None = None,
) -> Plan:
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
            arguments={"plan": plan.pk, "seconds": seconds, "seed": SEED, **(more or {})},
        )
        plan.save(update_fields=["job"])
        audit_record(plan, action="plan.ask", by=by, now=now, cooperative=season.cooperative)
    return plan
