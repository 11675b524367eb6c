"""Evaluations of the night: asked for once where scores changed since the last one, unless switched off."""

import datetime as dt
from zoneinfo import ZoneInfo

from django.db import transaction
from django.db.models import Q

from accounts.models import Cooperative, Job, Person
from accounts.services.audit import audit_record
from breeding.models import EvaluationHabit, Score
from breeding.queries.ranking import latest_run
from breeding.services.evaluation.asking import KIND, evaluation_ask

# Local hours in which nobody waits for the machine; our choice.
FROM_HOUR, TO_HOUR = 2, 5


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
        habit, _made = EvaluationHabit.objects.update_or_create(cooperative=cooperative, defaults={"nightly": nightly})
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


def _ask(cooperative: Cooperative, now: dt.datetime) -> Job | None:
    local = now.astimezone(ZoneInfo(cooperative.time_zone))
    if not FROM_HOUR <= local.hour < TO_HOUR or not is_nightly(cooperative):
        return None
    evening = now - dt.timedelta(hours=TO_HOUR - FROM_HOUR)
    with transaction.atomic():
        # The lock that asking takes too: of two sweeps at the same moment one sees the other's job.
        Cooperative.objects.select_for_update(of=("self",)).get(pk=cooperative.pk)
        if Job.objects.filter(cooperative=cooperative, kind=KIND, requested_at__gte=evening).exists():
            return None
        run = latest_run(cooperative)
        changed = Score.objects.filter(colony__apiary__member__cooperative=cooperative)
        if run is not None:
            changed = changed.filter(Q(recorded_at__gt=run.made_at) | Q(withdrawn_at__gt=run.made_at))
        if not changed.exists():
            return None
        return evaluation_ask(cooperative, by=None, now=now)
