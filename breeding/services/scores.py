"""Scores: one observation of one colony on one day. Nothing is overwritten: a correction stands beside the earlier."""

import datetime as dt
import uuid
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from django.db import transaction
from django.db.models import Q
from django.utils.translation import gettext as _

from accounts.models import Person
from accounts.refusals import Refusal
from accounts.services.audit import audit_record, fields_of
from accounts.told import told
from breeding.models import Colony, Score, Trait
from breeding.queries.stock import heading_on
from breeding.scoring import ScoreError, SingleScore, checked_score
from breeding.services.rules import check_not_later, local_day


@dataclass(frozen=True)
class Observation:
    """One trait of a visit as it was entered."""

    trait: Trait
    value: Decimal | None = None
    part: int | None = None
    whole: int | None = None
    method: str = ""
    hours: Decimal | None = None
    entry: uuid.UUID | None = None
    note: str = ""


FIELDS = ["value", "part", "whole", "method", "hours", "note"]


def score_record(
    colony: Colony,
    *,
    trait: Trait,
    scored_on: dt.date,
    by: Person | None,
    now: dt.datetime,
    value: Decimal | None = None,
    part: int | None = None,
    whole: int | None = None,
    method: str = "",
    hours: Decimal | None = None,
    note: str = "",
    entry: uuid.UUID | None = None,
) -> Score:
    """Write a score down for the queen heading the colony that day. The same entry sent twice is one score."""
    cooperative = colony.apiary.member.cooperative
    if trait.cooperative_id != cooperative.pk:
        raise Refusal(_("Choose a trait of your own cooperative."), field="trait", rule="other_cooperative")
    if entry is not None:
        known = Score.objects.filter(entry=entry).first()
        if known is not None:
            return _same_entry(known, colony, trait)
    check_not_later(scored_on, local_day(now, cooperative), field="scored_on")
    if colony.ended_on is not None and scored_on > colony.ended_on:
        raise Refusal(
            _("This colony ended on %(day)s.") % {"day": colony.ended_on.isoformat()},
            field="scored_on",
            rule="colony_ended",
        )
    result = scored_value(trait.key, value=value, part=part, whole=whole, method=method, hours=hours)
    with transaction.atomic():
        Colony.objects.select_for_update(of=("self",)).get(pk=colony.pk)
        same = list(Score.objects.filter(Q(entry=entry) | _of_that_day(colony, trait, scored_on, method)).order_by())
        for known in same:
            if known.entry == entry:
                return _same_entry(known, colony, trait)
        heading = heading_on(colony, scored_on)
        if heading is None:
            raise Refusal(
                _(
                    "No queen is recorded in this colony on %(day)s, so the score would be nobody's. "
                    "Record who headed it first."
                )
                % {"day": scored_on.isoformat()},
                field="scored_on",
                rule="no_queen",
            )
        _refuse_twice(same, scored_on)
        score = Score.objects.create(
            colony=colony,
            queen=heading.queen,
            trait=trait,
            scored_on=scored_on,
            value=result,
            part=part,
            whole=whole,
            method=method,
            hours=hours,
            scored_by=by,
            recorded_at=now,
            entry=entry or uuid.uuid4(),
            note=note.strip()[:200],
        )
        audit_record(
            score,
            action="score.record",
            by=by,
            now=now,
            cooperative=cooperative,
            after={"trait": trait.key, "queen": heading.queen.label, **_facts(score)},
        )
    return score


def visit_record(
    colony: Colony, *, scored_on: dt.date, observations: Sequence[Observation], by: Person | None, now: dt.datetime
) -> list[Score]:
    """All that was seen on one visit, or nothing of it. A refusal names the field as `trait-field`."""
    scores = []
    with transaction.atomic():
        for seen in observations:
            try:
                scores.append(
                    score_record(
                        colony,
                        trait=seen.trait,
                        scored_on=scored_on,
                        by=by,
                        now=now,
                        value=seen.value,
                        part=seen.part,
                        whole=seen.whole,
                        method=seen.method,
                        hours=seen.hours,
                        note=seen.note,
                        entry=seen.entry,
                    )
                )
            except Refusal as refusal:
                own = refusal.field in {"value", "part", "whole", "method", "hours"}
                raise Refusal(
                    refusal.text,
                    field=f"{seen.trait.key}-{refusal.field}" if own else refusal.field,
                    rule=refusal.rule,
                ) from refusal
    return scores


def score_correct(
    score: Score,
    *,
    by: Person | None,
    now: dt.datetime,
    value: Decimal | None = None,
    part: int | None = None,
    whole: int | None = None,
    method: str | None = None,
    hours: Decimal | None = None,
    note: str = "",
    entry: uuid.UUID | None = None,
) -> Score:
    """A new score in place of this one, which stays readable. The same value again changes nothing."""
    method = score.method if method is None else method
    result = scored_value(score.trait.key, value=value, part=part, whole=whole, method=method, hours=hours)
    cooperative = score.trait.cooperative
    with transaction.atomic():
        score = _held(score)
        if entry is not None:
            known = Score.objects.filter(entry=entry).first()
            if known is not None:
                return _same_entry(known, score.colony, score.trait)
        _check_current(score)
        facts = (result, part, whole, method, hours)
        if facts == (score.value, score.part, score.whole, score.method, score.hours):
            return score
        if method != score.method:
            day = _of_that_day(score.colony, score.trait, score.scored_on, method)
            _refuse_twice(list(Score.objects.filter(day)), score.scored_on)
        # The new one waits withdrawn until the earlier is replaced: only one may count for the day.
        new = Score.objects.create(
            colony=score.colony,
            queen=score.queen,
            trait=score.trait,
            scored_on=score.scored_on,
            value=result,
            part=part,
            whole=whole,
            method=method,
            hours=hours,
            scored_by=by,
            recorded_at=now,
            entry=entry or uuid.uuid4(),
            note=note.strip()[:200],
            withdrawn_at=now,
        )
        score.replaced_by = new
        score.save(update_fields=["replaced_by"])
        new.withdrawn_at = None
        new.save(update_fields=["withdrawn_at"])
        audit_record(
            new,
            action="score.correct",
            by=by,
            now=now,
            cooperative=cooperative,
            before=_facts(score),
            after=_facts(new),
            note=note,
        )
    return new


def score_withdraw(score: Score, *, by: Person | None, now: dt.datetime, note: str = "") -> Score:
    """It does not count any more (wrong colony, wrong day); it stays readable."""
    with transaction.atomic():
        score = _held(score)
        if score.withdrawn_at is not None:
            return score
        if score.replaced_by_id is not None:
            raise Refusal(_("It was corrected. Withdraw the correction instead."), rule="score_replaced")
        score.withdrawn_at = now
        score.save(update_fields=["withdrawn_at"])
        audit_record(
            score,
            action="score.withdraw",
            by=by,
            now=now,
            cooperative=score.trait.cooperative,
            before=_facts(score),
            note=note,
        )
    return score


def score_restore(score: Score, *, by: Person | None, now: dt.datetime) -> Score:
    """Undo `score_withdraw`."""
    with transaction.atomic():
        score = _held(score)
        if score.withdrawn_at is None:
            return score
        day = _of_that_day(score.colony, score.trait, score.scored_on, score.method)
        _refuse_twice(list(Score.objects.filter(day)), score.scored_on)
        score.withdrawn_at = None
        score.save(update_fields=["withdrawn_at"])
        audit_record(
            score,
            action="score.restore",
            by=by,
            now=now,
            cooperative=score.trait.cooperative,
            after=_facts(score),
        )
    return score


def scored_value(
    trait_key: str,
    *,
    value: Decimal | None,
    part: int | None,
    whole: int | None,
    method: str,
    hours: Decimal | None,
) -> Decimal:
    """The value in the trait's unit by the published scale; its objections become refusals beside their field."""
    try:
        return checked_score(trait_key, SingleScore(value=value, part=part, whole=whole, method=method, hours=hours))
    except ScoreError as error:
        values = {name: _part_said(value) for name, value in error.values.items()}
        raise Refusal(told(error.message) % values, field=error.field, rule="score_scale") from error


def _part_said(value: Any) -> Any:
    """Words of a trait are translated; what is no number is shown as it came."""
    if isinstance(value, Decimal) and not value.is_finite():
        return str(value)
    return told(value) if isinstance(value, str) and value else value


def _held(score: Score) -> Score:
    related = ("colony", "queen", "trait__cooperative")
    return Score.objects.select_for_update(of=("self",)).select_related(*related).get(pk=score.pk)


def _of_that_day(colony: Colony, trait: Trait, scored_on: dt.date, method: str) -> Q:
    return Q(
        colony=colony,
        trait=trait,
        scored_on=scored_on,
        method=method,
        replaced_by__isnull=True,
        withdrawn_at__isnull=True,
    )


def _refuse_twice(same: list[Score], scored_on: dt.date) -> None:
    if same:
        raise Refusal(
            _("%(trait)s of %(day)s is written down already: %(value)s %(unit)s. Correct that score instead.")
            % {
                "trait": same[0].trait,
                "day": scored_on.isoformat(),
                "value": same[0].value.normalize().__format__("f"),
                "unit": same[0].trait.shown_unit,
            },
            field="scored_on",
            rule="scored_that_day",
        )


def _check_current(score: Score) -> None:
    if score.replaced_by_id is not None:
        raise Refusal(_("It was corrected already. Correct the latest one."), rule="score_replaced")
    if score.withdrawn_at is not None:
        raise Refusal(_("It was withdrawn. Enter a new score."), rule="score_withdrawn")


def _same_entry(known: Score, colony: Colony, trait: Trait) -> Score:
    if known.colony_id != colony.pk or known.trait_id != trait.pk:
        raise Refusal(
            _("This entry was sent before for another colony or trait. Load the page again and enter it anew."),
            rule="entry_used",
        )
    return known


def _facts(score: Score) -> dict[str, Any]:
    return {"scored_on": score.scored_on, **fields_of(score, FIELDS)}
