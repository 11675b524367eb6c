"""CO2 given at home after the bench: one exposure of every inseminated queen of a batch that is still there."""

import datetime as dt

from django.db import transaction
from django.utils.translation import gettext as _

from accounts.models import Person
from accounts.refusals import Refusal
from accounts.services.audit import audit_record
from scheduling.models import BatchQueen, BenchState, Co2Treatment, QueenBatch
from scheduling.queries.season import settings_of
from scheduling.services.reminders import reminders_refresh_batch

INSEMINATED = [BenchState.INSEMINATED, BenchState.SECOND_CO2]


def batch_second_co2(
    batch: QueenBatch, *, started_at: dt.datetime, ended_at: dt.datetime, by: Person, now: dt.datetime
) -> list[Co2Treatment]:
    """Write the follow-up treatment down, from gas on to gas off. The same again changes nothing."""
    if ended_at > now:
        raise Refusal(
            _("That moment is still to come. Enter when the treatment ended."), field="time", rule="co2_future"
        )
    if started_at >= ended_at:
        raise Refusal(_("The gas goes off after it went on. Check the two times."), field="time", rule="co2_in_order")
    with transaction.atomic():
        batch = _locked(batch)
        queens = [queen for queen in _inseminated(batch) if _dosed_before(queen, started_at)]
        if not queens:
            raise Refusal(
                _("No queen of %(batch)s was inseminated before that moment.") % {"batch": batch},
                rule="co2_not_inseminated",
            )
        given = [
            Co2Treatment.objects.get_or_create(
                batch_queen=queen,
                session=None,
                started_at=started_at,
                ended_at=ended_at,
                undone_at=None,
                defaults={"given_by": by, "gas_percent": settings_of(batch.season).co2_strength_percent},
            )
            for queen in queens
        ]
        if not any(made for _row, made in given):
            return [row for row, _made in given]
        BatchQueen.objects.filter(pk__in=[queen.pk for queen in queens]).update(state=BenchState.SECOND_CO2)
        _said(batch, "batch.co2_second", started_at, ended_at, queens=len(queens), by=by, now=now)
        reminders_refresh_batch(batch, now=now, by=by)
    return [row for row, _made in given]


def batch_second_co2_undo(
    batch: QueenBatch, *, started_at: dt.datetime, ended_at: dt.datetime, by: Person, now: dt.datetime
) -> int:
    """It was not given: how many queens it was written down for. What was said stays readable."""
    with transaction.atomic():
        batch = _locked(batch)
        rows = Co2Treatment.objects.filter(
            batch_queen__batch=batch, session=None, started_at=started_at, ended_at=ended_at, undone_at__isnull=True
        )
        queens = list(rows.values_list("batch_queen_id", flat=True))
        rows.update(undone_at=now)
        others = Co2Treatment.objects.filter(session=None, undone_at__isnull=True, with_insemination=False)
        again = BatchQueen.objects.filter(pk__in=queens, state=BenchState.SECOND_CO2)
        again.exclude(pk__in=others.values("batch_queen_id")).update(state=BenchState.INSEMINATED)
        if queens:
            _said(batch, "batch.co2_second.withdraw", started_at, ended_at, queens=len(queens), by=by, now=now)
            reminders_refresh_batch(batch, now=now, by=by)
    return len(queens)


def _locked(batch: QueenBatch) -> QueenBatch:
    batches = QueenBatch.objects.select_for_update(of=("self",)).select_related("season__cooperative")
    return batches.get(pk=batch.pk)


def _inseminated(batch: QueenBatch) -> list[BatchQueen]:
    queens = batch.batch_queens.filter(state__in=INSEMINATED).prefetch_related("doses")
    return list(queens.select_for_update(of=("self",)).order_by("number"))


def _dosed_before(queen: BatchQueen, moment: dt.datetime) -> bool:
    return any(dose.undone_at is None and dose.given_at <= moment for dose in queen.doses.all())


def _said(
    batch: QueenBatch,
    action: str,
    started_at: dt.datetime,
    ended_at: dt.datetime,
    *,
    queens: int,
    by: Person,
    now: dt.datetime,
) -> None:
    audit_record(
        batch,
        action=action,
        by=by,
        now=now,
        cooperative=batch.season.cooperative,
        after={"started_at": started_at, "ended_at": ended_at, "queens": queens},
    )
