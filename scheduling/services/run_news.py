"""Telling whoever asked how long work ended, wherever they are by then: the one place that every such end comes to.

Runs in the transaction that ends the job (`settings.JOB_ENDED`). What a result says is written beside whatever made
it; a run without one is told of here. Runs of half a minute that are watched to their end (`TOLD` has them not) tell
nobody: their page says so.
"""

import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass

from django.urls import reverse
from django.utils.functional import Promise
from django.utils.translation import gettext_lazy

from accounts.models import AuditEntry, Job, JobState, Person, Role
from accounts.told import told as _
from accounts.told import told_lazy
from breeding.models import TableImport, VarianceEstimate
from scheduling.models import Plan, PlanState, Reminder
from scheduling.reminder_kinds import RUN_STOPPED
from scheduling.services.plan_ready import plan_ready
from scheduling.services.reminder_rows import LIVE, Wanted, reminders_set
from scheduling.services.store_reminders import evaluation_ready, people_with_role

VARIANCES_KINDS = ["variances_ready"]
IMPORT_KINDS = ["import_ready"]
IMPORT_TITLES = {
    "read": _("%(file)s is read: say which column is which"),
    "check": _("What would come of %(file)s is ready to be looked at"),
    "commit": _("%(file)s is imported"),
}


@dataclass(frozen=True)
class _Run:
    """How one sort of long work is told of.

    ready : tells of its result.
    without : what there is not, when it ended without one.
    page : name of the page of the run; takes `of`.
    of : the number in the address of that page.
    keeper : who is told when nobody asked (a run of the night).
    """

    ready: Callable[..., None]
    without: str | Promise
    page: str
    keeper: str
    of: Callable[[Job], int | None] = lambda job: job.pk


def variances_ready(job: Job, *, now: dt.datetime) -> None:
    """Tell whoever asked that the variances are estimated. Twice changes nothing."""
    estimate = VarianceEstimate.objects.filter(job=job).first()
    if estimate is None or job.requested_by is None:
        return
    wanted = Wanted(
        kind="variances_ready",
        person=job.requested_by,
        due_at=job.finished_at or now,
        title=_("Estimate %(number)d of the variances is ready") % {"number": str(estimate.number)},
        why=_("From %(records)d results until %(day)s. Nothing uses it before you adopt it.")
        % {"records": estimate.records, "day": estimate.records_until},
        link=f"{reverse('breeding:variances')}?number={estimate.number}",
    )
    reminders_set(estimate, [wanted], cooperative=job.cooperative, kinds=VARIANCES_KINDS, now=now)


def import_ready(job: Job, *, now: dt.datetime) -> None:
    """Tell whoever asked that the table is read, looked at or imported. Each takes the place of the earlier news."""
    imported = _import_of(job)
    if imported is None or job.requested_by is None:
        return
    wanted = Wanted(
        kind="import_ready",
        person=job.requested_by,
        due_at=job.finished_at or now,
        title=IMPORT_TITLES[job.arguments["act"]] % {"file": imported.file_name},
        why=_("It has %(rows)d rows.") % {"rows": imported.rows},
        link=reverse("breeding:import", args=[imported.pk]),
    )
    reminders_set(imported, [wanted], cooperative=job.cooperative, kinds=IMPORT_KINDS, now=now)


def _import_of(job: Job) -> TableImport | None:
    """None when it was dropped meanwhile."""
    return TableImport.objects.filter(pk=job.arguments.get("import")).only("pk", "file_name", "rows").first()


def _import_number(job: Job) -> int | None:
    imported = _import_of(job)
    return imported.pk if imported is not None else None


def _plan_of(job: Job) -> int | None:
    """None when it was set aside meanwhile: then nobody waits for it."""
    return Plan.objects.filter(job=job, state=PlanState.WORKING).values_list("pk", flat=True).first()


TOLD = {
    "plan": _Run(
        plan_ready, gettext_lazy("No plan was worked out"), "scheduling:plan_run", Role.COORDINATOR, of=_plan_of
    ),
    "evaluation": _Run(
        evaluation_ready, gettext_lazy("No breeding values were worked out"), "breeding:evaluation", Role.BREEDER
    ),
    "estimate": _Run(variances_ready, gettext_lazy("No variances were estimated"), "breeding:estimate", Role.BREEDER),
    "import": _Run(
        import_ready,
        gettext_lazy("A table was not imported"),
        "breeding:import",
        Role.COORDINATOR,
        of=_import_number,
    ),
}


def run_ended(job: Job, *, now: dt.datetime) -> None:
    """Tell of the result, or that there is none and why. `job` : as it was claimed; how it ended is read anew."""
    run = TOLD.get(job.kind)
    if run is None:
        return
    ended = Job.objects.select_related("cooperative", "requested_by").get(pk=job.pk)
    if ended.state == JobState.READY:
        _end_earlier(ended, now=now)
        run.ready(ended, now=now)
    else:
        _tell_stopped(ended, run, now=now)


def _tell_stopped(job: Job, run: _Run, *, now: dt.datetime) -> None:
    """Whoever pressed Stop knows; whoever asked may not."""
    number = run.of(job)
    if number is None:
        return
    _end_earlier(job, now=now)
    people = [job.requested_by] if job.requested_by else people_with_role(job.cooperative, run.keeper)
    wanted = [
        Wanted(
            kind=RUN_STOPPED,
            stage=f"p{person.pk}",
            person=person,
            due_at=job.finished_at or now,
            title=told_lazy(run.without),
            why=job.problem,
            link=reverse(run.page, args=[number]),
        )
        for person in people
        if person != _stopped_by(job)
    ]
    reminders_set(job, wanted, cooperative=job.cooperative, kinds=[RUN_STOPPED], now=now)


def _stopped_by(job: Job) -> Person | None:
    stops = AuditEntry.objects.filter(action="job.stop", subject_type=Job._meta.label_lower, subject_id=job.pk)
    stop = stops.select_related("by").first() if job.stop_requested_at else None
    return stop.by if stop else None


def _end_earlier(job: Job, *, now: dt.datetime) -> None:
    """A newer run of the same sort takes the place of the news that an earlier one came to nothing."""
    label = Job._meta.label_lower
    told = Reminder.objects.filter(
        subject_type=label, kind__in=[RUN_STOPPED], state__in=LIVE, cooperative=job.cooperative
    )
    earlier = Job.objects.filter(pk__in=told.values("subject_id"), kind=job.kind, requested_by=job.requested_by)
    for old in earlier.exclude(pk=job.pk):
        reminders_set(old, [], cooperative=job.cooperative, kinds=[RUN_STOPPED], now=now)
