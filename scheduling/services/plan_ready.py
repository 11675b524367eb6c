"""Telling whoever asked that a plan is worked out, wherever they are by then."""

import datetime as dt

from django.urls import reverse

from accounts.models import Job
from accounts.told import told as _
from scheduling.models import Plan
from scheduling.planning.timing import elapsed_after
from scheduling.queries.repair import is_repair
from scheduling.reminder_kinds import RUN_STOPPED
from scheduling.services.reminder_rows import Wanted, reminders_set

READY_KINDS = ["plan_ready"]
USEFUL_HOURS = 3 * 24


def plan_ready(job: Job, *, now: dt.datetime) -> None:
    """Runs in the transaction that ends the job as ready (`run_news`); twice changes nothing."""
    plan = Plan.objects.select_related("season__cooperative", "job").filter(job=job).first()
    if plan is None or job.requested_by is None:
        return
    about = {
        "plan": plan,
        "served": plan.result.get("served", 0),
        "requested": plan.result.get("requested", 0),
    }
    repair = is_repair(plan)
    wanted = Wanted(
        kind="plan_ready",
        due_at=Job.objects.values_list("finished_at", flat=True).get(pk=job.pk) or now,
        useful_until=elapsed_after(now, USEFUL_HOURS),
        person=job.requested_by,
        title=(_("A repair is ready to look at: %(plan)s") if repair else _("A plan is ready to check: %(plan)s"))
        % about,
        why=_("It places %(served)d of the %(requested)d queens asked for. Nobody is told before you publish it.")
        % about,
        link=reverse("scheduling:plan_repair" if repair else "scheduling:plan", args=[plan.pk]),
    )
    reminders_set(plan, [wanted], cooperative=plan.season.cooperative, kinds=READY_KINDS, now=now)


def plan_ready_end(plan: Plan, *, now: dt.datetime) -> None:
    """Published, set aside or overtaken: there is nothing to look at any more, nor a run to start anew."""
    reminders_set(plan, [], cooperative=plan.season.cooperative, kinds=READY_KINDS, now=now)
    if plan.job is not None:
        reminders_set(plan.job, [], cooperative=plan.season.cooperative, kinds=[RUN_STOPPED], now=now)
