"""Evaluations of the night: asked for once where scores changed since the last one, unless switched off.

A machine that was off at that hour catches up when it is on again: what counts is whether scores of before the hour
are still left out.
"""

import datetime as dt
from zoneinfo import ZoneInfo

from django.db import transaction
from django.db.models import Q
from django.utils.translation import gettext as _

from accounts.models import AuditEntry, Cooperative, Job, JobState, Person
from accounts.services.audit import audit_record
from breeding.models import EvaluationHabit, Score
from breeding.queries.ranking import latest_run, open_evaluation_job
from breeding.services.evaluation.asking import KIND, evaluation_ask

# Local hour at which hardly anybody waits for the machine; our choice.
HOUR = 2
MERGES = ("queen.merge", "queen.unmerge")


def is_nightly(cooperative: Cooperative) -> bool:
    habit = EvaluationHabit.objects.filter(cooperative=cooperative).first()
    return habit is None or habit.nightly


def nightly_set(cooperative: Cooperative, *, nightly: bool, by: Person | None, now: dt.datetime) -> None:
    """Switch the evaluation of the night on or off."""
    with transaction.atomic():
        Cooperative.objects.select_for_update(of=("self",)).get(pk=cooperative.pk)
        before = is_nightly(cooperative)
        if before == nightly:
            return
        habit, _new = EvaluationHabit.objects.update_or_create(cooperative=cooperative, defaults={"nightly": nightly})
        audit_record(
            habit,
            action="evaluation.nightly",
            by=by,
            now=now,
            cooperative=cooperative,
            before={"nightly": before},
            after={"nightly": nightly},
        )


def nightly_ask(*, now: dt.datetime) -> list[Job]:
    """Ask for what is due. Safe to call at any time, as often as one likes and from several processes."""
    return [job for cooperative in Cooperative.objects.order_by("pk") if (job := _ask(cooperative, now)) is not None]


def counted_words(cooperative: Cooperative, *, now: dt.datetime) -> str:
    """For who entered a score: when it will be counted."""
    running = open_evaluation_job(cooperative)
    if running is not None and running.state == JobState.IN_LINE:
        return _("The evaluation that is in line counts them.")
    if is_nightly(cooperative):
        after_midnight = now.astimezone(ZoneInfo(cooperative.time_zone)).hour < HOUR
        if after_midnight:
            return _("They are counted in the evaluation of this night, after %(hour)s:00.") % {"hour": HOUR}
        return _("They are counted in the evaluation of the coming night.")
    return _("They are counted when a breeder or the coordinator starts the next evaluation.")


def _ask(cooperative: Cooperative, now: dt.datetime) -> Job | None:
    if not is_nightly(cooperative):
        return None
    due = _last_due(cooperative, now)
    with transaction.atomic():
        # The lock that asking takes too: of two sweeps at the same moment one sees the other's job.
        Cooperative.objects.select_for_update(of=("self",)).get(pk=cooperative.pk)
        if Job.objects.filter(cooperative=cooperative, kind=KIND, requested_at__gte=due).exists():
            return None
        if not _changed(cooperative, due):
            return None
        return evaluation_ask(cooperative, by=None, now=now)


def _last_due(cooperative: Cooperative, now: dt.datetime) -> dt.datetime:
    """The hour of the night that is past most recently, in UTC."""
    local = now.astimezone(ZoneInfo(cooperative.time_zone))
    due = local.replace(hour=HOUR, minute=0, second=0, microsecond=0)
    return (due if due <= local else due - dt.timedelta(days=1)).astimezone(dt.UTC)


def _changed(cooperative: Cooperative, due: dt.datetime) -> bool:
    """Whether scores were entered, corrected, withdrawn or restored, or two rows made one queen or two again, after
    the run that counts and before the hour.
    """
    run = latest_run(cooperative)
    scores = Score.objects.filter(colony__apiary__member__cooperative=cooperative)
    if run is None:
        return bool(scores.filter(recorded_at__lt=due).exists())
    between = (run.made_at, due)
    if run.made_at >= due:
        return False
    changed = scores.filter(Q(recorded_at__range=between) | Q(withdrawn_at__range=between))
    acts = ["score.restore", *MERGES]
    acted = AuditEntry.objects.filter(cooperative=cooperative, action__in=acts, at__range=between)
    return bool(changed.exists() or acted.exists())
