"""Virgins of one batch that emerge on several days: each day with its number, each queen with the age she has."""

import datetime as dt

from django.db import transaction
from django.utils.translation import gettext as _

from accounts.models import Person
from accounts.refusals import Refusal
from accounts.services.audit import audit_record
from scheduling.models import BatchQueen, QueenBatch
from scheduling.queries.words import day_words
from scheduling.services.batch_queens import MOST_VIRGINS, queens_add, queens_take_back
from scheduling.services.batch_rules import refuse_impossible, refuse_without_calendar
from scheduling.services.batches import batch_emerged
from scheduling.services.places import places_assign_queens
from scheduling.services.record_order import refuse_disorder_of_queens
from scheduling.services.reminders import reminders_refresh_batch


def batch_emergence(
    batch: QueenBatch,
    *,
    emerged_on: dt.date,
    virgins: int,
    version: int | None = None,
    by: Person | None,
    now: dt.datetime,
) -> QueenBatch:
    """So many virgins emerged on this day. A day on record already is corrected to that number; 0 takes it back.

    Queens of other days keep theirs. The batch's own day is the first of them.
    """
    if batch.emerged_on is None:
        return batch_emerged(batch, emerged_on=emerged_on, virgins=virgins, version=version, by=by, now=now)
    with transaction.atomic():
        fresh = (
            QueenBatch.objects.select_for_update(of=("self",))
            .select_related("season__cooperative", "apiary", "mother", "member")
            .get(pk=batch.pk)
        )
        _refuse(fresh, virgins=virgins, version=version)
        queens = list(BatchQueen.objects.filter(batch=fresh).select_related("queen").order_by("number"))
        of_day = [queen for queen in queens if (queen.queen.emerged_on or fresh.emerged_on) == emerged_on]
        if len(of_day) == virgins:
            return fresh
        days = {queen.queen.emerged_on or fresh.emerged_on for queen in queens} - {emerged_on, None}
        if virgins:
            days.add(emerged_on)
        if not days:
            raise Refusal(
                _("%(day)s is the only day on record. Correct the emergence itself instead.")
                % {"day": day_words(emerged_on)},
                field="virgins",
                rule="first_emergence",
            )
        before = {"emerged_on": emerged_on, "virgins": len(of_day)}
        fresh.virgins_emerged = len(queens) - len(of_day) + virgins
        for day in (emerged_on, min(day for day in days if day is not None)):
            fresh.emerged_on = day
            refuse_impossible(fresh, changed=["emerged_on"], now=now)
        queens_take_back(fresh, of_day, len(of_day) - virgins)
        number = queens[-1].number + 1 if queens else 1
        queens_add(fresh, emerged_on=emerged_on, first=number, missing=virgins - len(of_day), by=by, now=now)
        fresh.version += 1
        fresh.save(update_fields=["emerged_on", "virgins_emerged", "version"])
        refuse_without_calendar(fresh)
        refuse_disorder_of_queens(fresh, changed=["emerged_on"])
        places_assign_queens(fresh.pk)
        audit_record(
            fresh,
            action="batch.emerged.correct" if of_day else "batch.emerged",
            by=by,
            now=now,
            cooperative=fresh.season.cooperative,
            before=before,
            after={"emerged_on": emerged_on, "virgins": virgins},
        )
        reminders_refresh_batch(fresh, now=now, by=by)
    return fresh


def _refuse(batch: QueenBatch, *, virgins: int, version: int | None) -> None:
    if version is not None and batch.version != version:
        raise Refusal(
            _("%(batch)s was changed meanwhile. Look at what stands now, then save again.") % {"batch": batch},
            rule="stale",
        )
    if batch.closed_on is not None:
        raise Refusal(_("%(batch)s is closed. Reopen it to change it.") % {"batch": batch}, rule="batch_closed")
    if not 0 <= virgins <= MOST_VIRGINS:
        raise Refusal(_("Enter a number from 0 to %(most)d.") % {"most": MOST_VIRGINS}, field="virgins")
