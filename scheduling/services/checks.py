"""What is found when an inseminated queen is looked at: eggs, sealed brood, outcome."""

import datetime as dt
import uuid

from django.db import transaction
from django.utils.translation import gettext as _

from accounts.models import Person
from accounts.refusals import Refusal
from accounts.services.audit import audit_record, fields_of
from breeding.services.queens import queen_gone
from breeding.services.rules import local_day
from scheduling.models import BatchQueen, BenchState, Finding, Pattern, QueenCheck
from scheduling.queries.words import day_words
from scheduling.services.reminders import reminders_refresh_batch

EGGS_OR_BROOD = [Finding.EGGS, Finding.WORKER_BROOD, Finding.DRONE_BROOD, Finding.MIXED_BROOD]
BROOD = [Finding.WORKER_BROOD, Finding.MIXED_BROOD]


def check_record(
    batch_queen: BatchQueen,
    *,
    checked_on: dt.date,
    finding: str,
    pattern: str = "",
    note: str = "",
    brood_cells: int | None = None,
    brood_alive: int | None = None,
    by: Person,
    now: dt.datetime,
    entry: uuid.UUID | None = None,
) -> QueenCheck:
    """Record one look at one queen; another finding of the same day replaces the earlier and keeps it."""
    if finding not in Finding.values or pattern not in {"", *Pattern.values}:
        raise Refusal(_("Choose what was found."), field="finding")
    if pattern and finding not in BROOD:
        raise Refusal(
            _("The pattern belongs to sealed worker brood. Leave it empty here."),
            field="pattern",
            rule="pattern_of_brood",
        )
    _refuse_counts(finding, brood_cells, brood_alive)
    with transaction.atomic():
        queen = (
            BatchQueen.objects.select_for_update(of=("self",))
            .select_related("batch__season__cooperative", "queen")
            .get(pk=batch_queen.pk)
        )
        _refuse_day(queen, checked_on, now=now)
        known = QueenCheck.objects.filter(entry=entry).first() if entry else None
        if known is not None:
            return known
        earlier = queen.checks.filter(checked_on=checked_on, replaced_by__isnull=True).first()
        values = {
            "finding": finding,
            "pattern": pattern,
            "note": note.strip(),
            "brood_cells": brood_cells,
            "brood_alive": brood_alive,
        }
        if earlier is not None and fields_of(earlier, list(values)) == values:
            return earlier
        check = QueenCheck(
            batch_queen=queen,
            checked_on=checked_on,
            checked_by=by,
            recorded_at=now,
            entry=entry or uuid.uuid4(),
            **values,
        )
        if earlier is not None:
            # The day's place is unique among checks that hold: the earlier one steps aside first.
            QueenCheck.objects.filter(pk=earlier.pk).update(replaced_by=earlier)
        check.save()
        if earlier is not None:
            QueenCheck.objects.filter(pk=earlier.pk).update(replaced_by=check)
        _follow(queen, check, by=by, now=now)
        audit_record(
            queen,
            action="check.record",
            by=by,
            now=now,
            cooperative=queen.batch.season.cooperative,
            before=fields_of(earlier, list(values)) if earlier else {},
            after={"checked_on": checked_on, **values},
        )
        reminders_refresh_batch(queen.batch, now=now, by=by)
    return check


def _refuse_counts(finding: str, cells: int | None, alive: int | None) -> None:
    if cells is None and alive is None:
        return
    if finding not in BROOD:
        raise Refusal(_("Brood is counted where there is sealed worker brood."), field="brood_cells")
    if cells is None or alive is None or not 0 <= alive <= cells or cells < 1:
        raise Refusal(
            _("Enter the cells of the patch, and how many of them hold living brood: not more."), field="brood_alive"
        )


def _refuse_day(queen: BatchQueen, checked_on: dt.date, *, now: dt.datetime) -> None:
    if checked_on > local_day(now, queen.batch.season.cooperative):
        raise Refusal(
            _("%(day)s is still to come. Enter the day you looked.") % {"day": day_words(checked_on)},
            field="checked_on",
        )
    if queen.queen.emerged_on is not None and checked_on < queen.queen.emerged_on:
        raise Refusal(
            _("She emerged on %(day)s. Enter a later day.") % {"day": day_words(queen.queen.emerged_on)},
            field="checked_on",
        )


def _follow(queen: BatchQueen, check: QueenCheck, *, by: Person, now: dt.datetime) -> None:
    """Eggs date the batch's laying; a dead or missing queen leaves the stock."""
    batch = queen.batch
    if check.finding in EGGS_OR_BROOD and (batch.eggs_seen_on is None or check.checked_on < batch.eggs_seen_on):
        batch.eggs_seen_on = check.checked_on
        batch.version += 1
        batch.save(update_fields=["eggs_seen_on", "version"])
    if check.finding in {Finding.DEAD, Finding.NOT_FOUND} and queen.state != BenchState.LOST:
        queen.state, queen.state_reason = BenchState.LOST, str(check.get_finding_display())
        queen.save(update_fields=["state", "state_reason"])
        queen_gone(queen.queen, gone_on=check.checked_on, reason=queen.state_reason, by=by, now=now)
