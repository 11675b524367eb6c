"""The virgins of a batch, one by one: they get their labels when they emerge, may be set aside, lost, found again."""

import datetime as dt
from zoneinfo import ZoneInfo

from django.db import transaction
from django.db.models import Exists, OuterRef
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from accounts.models import Person
from accounts.refusals import Refusal
from accounts.services.audit import audit_record, fields_of
from breeding.models import Heading, Queen
from breeding.queries.stock import queens_labelled
from breeding.services.queens import queen_back, queen_correct, queen_gone, queen_register
from breeding.services.rules import check_not_later
from scheduling.models import (
    BatchQueen,
    BenchPlace,
    BenchState,
    Co2Treatment,
    Dose,
    PlaceState,
    QueenBatch,
    QueenCheck,
)
from scheduling.queries.words import day_words
from scheduling.services.offers import standby_ask
from scheduling.services.places import places_assign_queens
from scheduling.services.reminders import reminders_refresh_batch

MOST_VIRGINS = 500  # more than anybody grafts in one batch; stops a slip of the pen
LABEL_NAME_LENGTH = 28
AWAY = [BenchState.SET_ASIDE, BenchState.LOST]


def queens_follow_count(batch: QueenBatch, *, was_on: dt.date | None, by: Person | None, now: dt.datetime) -> None:
    """Make the batch's queens agree with its emergence. Runs inside the transaction that changed the batch.

    `was_on`: the day it had before; queens of that day follow a correction, those of other days keep theirs.
    """
    if batch.virgins_emerged is None or batch.emerged_on is None:
        return
    if not 0 <= batch.virgins_emerged <= MOST_VIRGINS:
        raise Refusal(_("Enter a number from 0 to %(most)d.") % {"most": MOST_VIRGINS}, field="virgins_emerged")
    have = list(BatchQueen.objects.filter(batch=batch).select_related("queen").order_by("number"))
    queens_take_back(batch, have, len(have) - batch.virgins_emerged)
    others: set[dt.date] = set()
    for batch_queen in have[: batch.virgins_emerged]:
        day = batch_queen.queen.emerged_on
        if day is None or day == was_on:
            if day != batch.emerged_on:
                queen_correct(batch_queen.queen, emerged_on=batch.emerged_on, by=by, now=now)
        else:
            others.add(day)
    if any(day < batch.emerged_on for day in others):
        raise Refusal(
            _("Virgins of %(day)s are on record as well. Enter that day or an earlier one, or correct theirs first.")
            % {"day": day_words(min(others))},
            field="emerged_on",
            rule="first_emergence",
        )
    queens_add(
        batch,
        emerged_on=batch.emerged_on,
        first=(have[-1].number + 1 if have else 1),
        missing=batch.virgins_emerged - len(have),
        by=by,
        now=now,
    )
    places_assign_queens(batch.pk)


def batch_queen_set_aside(batch_queen: BatchQueen, *, reason: str, by: Person | None, now: dt.datetime) -> BatchQueen:
    """Not for the bench, but alive. A place she was to take goes to her sister, without one to the queue."""
    return _leave(batch_queen, BenchState.SET_ASIDE, reason=reason, by=by, now=now)


def batch_queen_lost(
    batch_queen: BatchQueen, *, reason: str, lost_on: dt.date, by: Person | None, now: dt.datetime
) -> BatchQueen:
    """Dead or gone: she leaves the stock as well."""
    with transaction.atomic():
        fresh = _leave(batch_queen, BenchState.LOST, reason=reason, by=by, now=now)
        queen_gone(fresh.queen, gone_on=lost_on, reason=reason, by=by, now=now)
    return fresh


def batch_queen_back(batch_queen: BatchQueen, *, by: Person | None, now: dt.datetime) -> BatchQueen:
    """Undo setting aside or losing: she waits again, or stands where her bench record says."""
    with transaction.atomic():
        fresh = _locked(batch_queen)
        if fresh.state not in AWAY:
            return fresh
        if fresh.state == BenchState.LOST:
            queen_back(fresh.queen, by=by, now=now)
        given = Dose.objects.filter(batch_queen=fresh, undone_at__isnull=True).exists()
        state = BenchState.INSEMINATED if given else BenchState.WAITING
        return _changed(fresh, state, "", action="batch_queen.back", by=by, now=now)


def batch_queen_nuc(
    batch_queen: BatchQueen,
    *,
    nuc: str,
    excluder_confirmed_on: dt.date | None = None,
    by: Person | None,
    now: dt.datetime,
) -> BatchQueen:
    """Where she stands, and that her excluder is on."""
    with transaction.atomic():
        fresh = _locked(batch_queen)
        zone = ZoneInfo(fresh.batch.season.cooperative.time_zone)
        check_not_later(excluder_confirmed_on, now.astimezone(zone).date(), field="excluder_confirmed_on")
        grafted_on = fresh.batch.grafted_on
        if grafted_on and excluder_confirmed_on and excluder_confirmed_on < grafted_on:
            raise Refusal(
                _("An excluder on %(day)s would have been before the graft on %(graft)s. Enter the day it was fitted.")
                % {"day": day_words(excluder_confirmed_on), "graft": day_words(grafted_on)},
                field="excluder_confirmed_on",
                rule="dates_in_order",
            )
        before = fields_of(fresh, ["nuc", "excluder_confirmed_on"])
        fresh.nuc, fresh.excluder_confirmed_on = nuc.strip(), excluder_confirmed_on
        after = fields_of(fresh, ["nuc", "excluder_confirmed_on"])
        if before != after:
            fresh.save(update_fields=["nuc", "excluder_confirmed_on"])
            audit_record(
                fresh,
                action="batch_queen.nuc",
                by=by,
                now=now,
                cooperative=fresh.batch.season.cooperative,
                before=before,
                after=after,
            )
            reminders_refresh_batch(fresh.batch, now=now, by=by)
    return fresh


def _leave(
    batch_queen: BatchQueen, state: BenchState, *, reason: str, by: Person | None, now: dt.datetime
) -> BatchQueen:
    reason = reason.strip()
    if not reason:
        raise Refusal(_("Say why, in a few words."), field="reason", rule="says_why")
    with transaction.atomic():
        fresh = _locked(batch_queen)
        if fresh.state == BenchState.ON_HOOK:
            raise Refusal(
                _("%(queen)s is on the hook right now. The bench operator records what happens.") % {"queen": fresh},
                rule="queen_at_bench",
                lifted_by="operator",
            )
        if (fresh.state, fresh.state_reason) == (state, reason):
            return fresh
        return _changed(fresh, state, reason, action=f"batch_queen.{state}", by=by, now=now)


def _locked(batch_queen: BatchQueen) -> BatchQueen:
    return (
        BatchQueen.objects.select_for_update(of=("self",))
        .select_related("batch__season__cooperative", "queen")
        .get(pk=batch_queen.pk)
    )


def _changed(
    batch_queen: BatchQueen,
    state: BenchState,
    reason: str,
    *,
    action: str,
    by: Person | None,
    now: dt.datetime,
) -> BatchQueen:
    before = fields_of(batch_queen, ["state", "state_reason"])
    batch_queen.state, batch_queen.state_reason = state, reason[:160]
    batch_queen.save(update_fields=["state", "state_reason"])
    if state in AWAY:
        BenchPlace.objects.filter(batch_queen=batch_queen, state=PlaceState.HELD).update(batch_queen=None)
        standby_ask(batch_queen.batch.season, now=now)
    places_assign_queens(batch_queen.batch_id)
    audit_record(
        batch_queen,
        action=action,
        by=by,
        now=now,
        cooperative=batch_queen.batch.season.cooperative,
        before=before,
        after=fields_of(batch_queen, ["state", "state_reason"]),
    )
    reminders_refresh_batch(batch_queen.batch, now=now, by=by)
    return batch_queen


def queens_add(
    batch: QueenBatch, *, emerged_on: dt.date, first: int, missing: int, by: Person | None, now: dt.datetime
) -> None:
    """Register so many virgins of one day, numbered from `first`. Inside the transaction that changes the batch."""
    if missing <= 0:
        return
    numbers = range(first, first + missing)
    suffix = _free_suffix(batch, list(numbers))
    for number in numbers:
        queen = queen_register(
            batch.member,
            label=_label(batch, number, suffix),
            mother=batch.mother,
            emerged_on=emerged_on,
            by=by,
            now=now,
        )
        BatchQueen.objects.create(batch=batch, queen=queen, number=number)


def _label(batch: QueenBatch, number: int, suffix: str) -> str:
    return f"{batch.name[:LABEL_NAME_LENGTH].strip()}-{number}{suffix}"


def _free_suffix(batch: QueenBatch, numbers: list[int]) -> str:
    """Batch names come back in other years: then the year, and if need be a letter, tells the queens apart."""
    year = batch.emerged_on.year if batch.emerged_on else batch.season.year
    for suffix in ("", f" {year}", *(f" {year}{letter}" for letter in "bcdefgh")):
        labels = [_label(batch, number, suffix) for number in numbers]
        if not any(queens_labelled(batch.season.cooperative_id, label).exists() for label in labels):
            return suffix
    raise Refusal(_("Queens with these labels exist already. Give the batch another name."), field="virgins_emerged")


def queens_take_back(batch: QueenBatch, have: list[BatchQueen], surplus: int) -> None:
    """A corrected count: queens that were never there go again, from the last number, while nothing hangs on them."""
    if surplus <= 0:
        return
    last = have[-surplus:]
    free = set(_untouched(batch))
    held = [batch_queen for batch_queen in last if batch_queen.pk not in free]
    if held:
        raise Refusal(
            ngettext(
                "%(names)s has a record of her own. Mark her as lost instead of lowering the number.",
                "%(names)s have records of their own. Mark them as lost instead of lowering the number.",
                len(held),
            )
            % {"names": ", ".join(str(batch_queen) for batch_queen in held)},
            field="virgins_emerged",
            rule="queens_have_records",
        )
    for batch_queen in last:
        queen = batch_queen.queen
        batch_queen.delete()
        queen.delete()


def _untouched(batch: QueenBatch) -> list[int]:
    mine = {"batch_queen": OuterRef("pk")}
    hers = {"queen": OuterRef("queen")}
    return list(
        BatchQueen.objects.filter(batch=batch, state=BenchState.WAITING, queen__mating__isnull=True)
        .exclude(Exists(BenchPlace.objects.filter(**mine).exclude(state=PlaceState.HELD)))
        .exclude(Exists(Dose.objects.filter(**mine)))
        .exclude(Exists(Co2Treatment.objects.filter(**mine)))
        .exclude(Exists(QueenCheck.objects.filter(**mine)))
        .exclude(Exists(Heading.objects.filter(**hers)))
        .exclude(Exists(Queen.objects.filter(mother=OuterRef("queen"))))
        .values_list("pk", flat=True)
    )
