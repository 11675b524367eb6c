"""What if? Asking what another fact would bring; keeping the answer as a sketch where the fact is the coordinator's."""

import datetime as dt
from collections.abc import Mapping
from typing import Any
from zoneinfo import ZoneInfo

from django.db import transaction
from django.utils.translation import gettext as _

from accounts.models import Job, JobState, Person
from accounts.models.job import OPEN_STATES
from accounts.refusals import Refusal
from accounts.services.audit import audit_record
from accounts.services.jobs import job_ask
from scheduling.models import Plan, PlanState, Season
from scheduling.planning.checker import check
from scheduling.planning.plan import plan_from_json, plan_to_json
from scheduling.planning.problem_file import problem_to_json
from scheduling.queries.plan_rows import plan_rows_write
from scheduling.queries.plan_words import violation_words
from scheduling.queries.plans import IN_FORCE, SKETCHES, plan_in_force
from scheduling.queries.problem import problem_of
from scheduling.queries.what_if import WhatIf, is_the_coordinators, points_of
from scheduling.queries.worked_out import facts_mark
from scheduling.services.plan_results import plan_results_refresh
from scheduling.services.season import setting_change
from scheduling.services.sessions import session_change, session_open
from scheduling.services.source_shares import WantedShare, source_shares_set

JOB = "what_if"
SECONDS = 12.0
SEED = 1


def what_if_ask(plan: Plan, change: Mapping[str, Any], *, by: Person, now: dt.datetime) -> Job:
    """Put the question in line; nothing of the season is written. While the same is being worked out, that is returned.

    `change`: `kind` and its figures, as `queries.what_if.WhatIf` reads them.
    """
    season = plan.season
    if season.closed_at is not None:
        raise Refusal(_("%(season)s is closed.") % {"season": season}, rule="season_closed")
    if plan.state not in {*SKETCHES, *IN_FORCE}:
        raise Refusal(_("Ask this of a sketch or of the plan in force."), rule="what_if_plan")
    arguments = {"plan": plan.pk, "version": plan.version, "change": dict(change), "seconds": SECONDS, "seed": SEED}
    with transaction.atomic():
        Season.objects.select_for_update(of=("self",)).get(pk=season.pk)
        running = Job.objects.filter(
            kind=JOB, cooperative=season.cooperative, state__in=OPEN_STATES, arguments=arguments
        ).first()
        return running or job_ask(JOB, cooperative=season.cooperative, by=by, now=now, arguments=arguments)


def what_if_keep(job: Job, *, name: str, by: Person, now: dt.datetime) -> Plan:
    """Change the fact and keep the plan as a sketch to check, both or nothing.

    Refused for facts that are not the coordinator's to change, on another day, after another plan or places changed
    hands, and when the plan breaks a rule on the facts as they then really are.
    """
    if job.kind != JOB or job.state != JobState.READY:
        raise Refusal(_("This is not worked out yet."), rule="what_if_not_ready")
    asked = Plan.objects.select_related("season__cooperative").filter(pk=job.arguments["plan"]).first()
    if asked is None:
        raise Refusal(_("The plan this was asked of is gone."), rule="what_if_plan")
    question = WhatIf(asked.season, job.arguments["change"])
    if not is_the_coordinators(question.kind):
        raise Refusal(_("This is not for the coordinator to change."), rule="what_if_not_yours")
    chosen = next((point for point in points_of(job) if name in point["names"]), None)
    if chosen is None:
        raise Refusal(_("This is no choice of this answer."), rule="what_if_choice")
    with transaction.atomic():
        season = Season.objects.select_for_update(of=("self",)).select_related("cooperative").get(pk=asked.season_id)
        base = plan_in_force(season)
        if job.result["base"] != ([base.pk, base.version] if base is not None else None):
            raise Refusal(
                _("A plan was published, or places changed hands, since this was worked out. Ask again."),
                rule="plan_base",
            )
        _change_fact(question, by=by, now=now)
        problem = problem_of(season, now=now)
        if problem.meta["first_day"] != job.result["first_day"]:
            raise Refusal(_("This was worked out on another day. Ask again."), rule="what_if_day")
        pure = plan_from_json(chosen["plan"])
        violations = check(problem, pure)
        if violations:
            raise Refusal(
                _("The facts have changed since this was worked out: %(what)s Ask again.")
                % {"what": violation_words(violations[0], problem)},
                rule=violations[0].rule,
            )
        result = {key: value for key, value in plan_to_json(pure)["result"].items() if key != "unserved"}
        sketch = Plan.objects.create(
            season=season,
            state=PlanState.TO_CHECK,
            based_on=base,
            base_version=base.version if base is not None else None,
            problem=problem_to_json(problem),
            facts_mark=facts_mark(problem),
            result={**result, "acceptable": asked.result.get("acceptable", {})},
            created_at=now,
            created_by=by,
        )
        plan_rows_write(sketch, pure, problem)
        plan_results_refresh(sketch, problem)
        sketch.save(update_fields=["result", "no_full_fit"])
        audit_record(
            sketch,
            action="plan.what_if",
            by=by,
            now=now,
            cooperative=season.cooperative,
            after={"change": question.change, "served": sketch.result["served"]},
        )
    return sketch


def _change_fact(question: WhatIf, *, by: Person, now: dt.datetime) -> None:
    """By the same services as on the pages of their own, with their refusals."""
    season = question.season
    if question.kind == "limits":
        session = question.session
        zone = ZoneInfo(season.cooperative.time_zone)
        session_change(
            session,
            starts=session.starts_at.astimezone(zone).time(),
            ends=session.ends_at.astimezone(zone).time(),
            by=by,
            now=now,
            **question.limits,
        )
    elif question.kind == "session":
        session_open(season, **question.opening, by=by, now=now)
    elif question.kind == "level":
        setting_change(season, key="service_level_share", value=question.level, by=by, now=now)
    elif question.kind == "cap":
        source = question.source
        wanted = WantedShare(question.cap, source.share_target_permille)
        source_shares_set(season, {source.pk: wanted}, by=by, now=now)
