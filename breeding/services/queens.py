"""Queens: registered once, corrected with the earlier values kept in the history, gone but never deleted."""

import datetime as dt
from typing import Any

from django.db import transaction
from django.utils.translation import gettext as _

from accounts.models import Cooperative, Member, Person
from accounts.refusals import Refusal
from accounts.services.audit import audit_record, fields_of
from breeding.models import Heading, Line, Queen, QueenStatus
from breeding.queries.ancestry import descends_from
from breeding.queries.stock import queens_labelled
from breeding.services.rules import birth_year_of, check_not_later, check_older, local_day

FIELDS = ["label", "mother", "line", "origin", "birth_year", "emerged_on", "mark_number", "note"]


def queen_register(
    owner: Member,
    *,
    label: str,
    by: Person | None,
    now: dt.datetime,
    mother: Queen | None = None,
    line: Line | None = None,
    emerged_on: dt.date | None = None,
    birth_year: int | None = None,
    origin: str = "",
    mark_number: str = "",
    note: str = "",
) -> Queen:
    """A new queen of this member, a virgin until her mating is recorded. Her line is her mother's if none is named."""
    cooperative = owner.cooperative
    label = label.strip()
    year = _checked(
        cooperative, label=label, mother=mother, line=line, emerged_on=emerged_on, birth_year=birth_year, now=now
    )
    with transaction.atomic():
        _hold_labels(cooperative)
        _check_label_free(cooperative, label)
        queen = Queen.objects.create(
            cooperative=cooperative,
            owner=owner,
            label=label,
            mother=mother,
            line=line or (mother.line if mother is not None else None),
            origin=origin.strip(),
            birth_year=year,
            emerged_on=emerged_on,
            mark_number=mark_number.strip(),
            note=note.strip(),
            created_at=now,
        )
        audit_record(
            queen,
            action="queen.register",
            by=by,
            now=now,
            cooperative=cooperative,
            after=fields_of(queen, FIELDS),
        )
    return queen


def queen_correct(queen: Queen, *, by: Person | None, now: dt.datetime, **changes: Any) -> Queen:
    """Correct some of FIELDS. Refused when she would descend from herself or be older than her mother."""
    unknown = set(changes) - set(FIELDS)
    if unknown:
        raise TypeError(f"not a field that can be corrected: {', '.join(sorted(unknown))}")
    with transaction.atomic():
        queen = (
            Queen.objects.select_for_update(of=("self",))
            .select_related("cooperative", "mother", "line")
            .get(pk=queen.pk)
        )
        before = fields_of(queen, FIELDS)
        for name, value in changes.items():
            setattr(queen, name, value.strip() if isinstance(value, str) else value)
        if "emerged_on" in changes and queen.emerged_on is not None and "birth_year" not in changes:
            queen.birth_year = queen.emerged_on.year
        queen.birth_year = _checked(
            queen.cooperative,
            label=queen.label,
            mother=queen.mother,
            line=queen.line,
            emerged_on=queen.emerged_on,
            birth_year=queen.birth_year,
            now=now,
        )
        after = fields_of(queen, FIELDS)
        if after == before:
            return queen
        if after["label"] != before["label"]:
            _hold_labels(queen.cooperative)
            _check_label_free(queen.cooperative, queen.label, but=queen)
        if after["mother"] != before["mother"] and queen.mother is not None:
            _check_no_loop(queen, queen.mother)
        _check_daughters_younger(queen)
        if queen.gone_on is not None and queen.emerged_on is not None and queen.gone_on < queen.emerged_on:
            raise Refusal(
                _("She was gone on %(day)s already. Correct that day first.") % {"day": queen.gone_on.isoformat()},
                field="emerged_on",
                rule="dates_in_order",
            )
        queen.save(update_fields=[*FIELDS, "alike"])
        changed = [name for name in FIELDS if after[name] != before[name]]
        audit_record(
            queen,
            action="queen.correct",
            by=by,
            now=now,
            cooperative=queen.cooperative,
            before={name: before[name] for name in changed},
            after={name: after[name] for name in changed},
        )
    return queen


def queen_gone(queen: Queen, *, by: Person | None, now: dt.datetime, gone_on: dt.date, reason: str = "") -> Queen:
    """She died, was lost or was taken out. The colony she heads has no queen from that day on."""
    with transaction.atomic():
        queen = Queen.objects.select_for_update(of=("self",)).select_related("cooperative").get(pk=queen.pk)
        if queen.status == QueenStatus.GONE and queen.gone_on == gone_on:
            return queen
        check_not_later(gone_on, local_day(now, queen.cooperative), field="gone_on")
        if queen.emerged_on is not None and gone_on < queen.emerged_on:
            raise Refusal(
                _("She emerged on %(day)s. Correct the day.") % {"day": queen.emerged_on.isoformat()},
                field="gone_on",
                rule="dates_in_order",
            )
        heading = Heading.objects.select_for_update(of=("self",)).filter(queen=queen, until__isnull=True).first()
        if heading is not None:
            if gone_on < heading.since:
                raise Refusal(
                    _("She has headed her colony since %(day)s. Correct the day.") % {"day": heading.since.isoformat()},
                    field="gone_on",
                    rule="dates_in_order",
                )
            heading.until = gone_on
            heading.save(update_fields=["until"])
        before = fields_of(queen, ["status", "gone_on", "gone_reason"])
        queen.status, queen.gone_on, queen.gone_reason = QueenStatus.GONE, gone_on, reason.strip()[:120]
        queen.save(update_fields=["status", "gone_on", "gone_reason"])
        audit_record(
            queen,
            action="queen.gone",
            by=by,
            now=now,
            cooperative=queen.cooperative,
            before=before,
            after=fields_of(queen, ["status", "gone_on", "gone_reason"]),
        )
    return queen


def queen_back(queen: Queen, *, by: Person | None, now: dt.datetime) -> Queen:
    """Undo `queen_gone`: she was found again. Her colony has to be given back by hand."""
    with transaction.atomic():
        queen = Queen.objects.select_for_update(of=("self",)).select_related("cooperative").get(pk=queen.pk)
        if queen.status != QueenStatus.GONE:
            return queen
        before = fields_of(queen, ["status", "gone_on", "gone_reason"])
        queen.status = QueenStatus.MATED if hasattr(queen, "mating") else QueenStatus.VIRGIN
        queen.gone_on, queen.gone_reason = None, ""
        queen.save(update_fields=["status", "gone_on", "gone_reason"])
        audit_record(
            queen,
            action="queen.back",
            by=by,
            now=now,
            cooperative=queen.cooperative,
            before=before,
            after=fields_of(queen, ["status", "gone_on", "gone_reason"]),
        )
    return queen


def _checked(
    cooperative: Cooperative,
    *,
    label: str,
    mother: Queen | None,
    line: Line | None,
    emerged_on: dt.date | None,
    birth_year: int | None,
    now: dt.datetime,
) -> int | None:
    """Refusals that need no other row; returns the birth year."""
    if not label:
        raise Refusal(_("Give her a label; it names her on every list."), field="label", rule="label_missing")
    if len(label) > 40:
        raise Refusal(_("Use at most 40 characters."), field="label", rule="label_long")
    year = birth_year_of(emerged_on, birth_year, today=local_day(now, cooperative))
    if mother is not None:
        if mother.cooperative_id != cooperative.pk:
            raise Refusal(_("Choose a mother of your own cooperative."), field="mother", rule="other_cooperative")
        check_older(mother.label, mother.emerged_on, mother.birth_year, emerged_on, year)
    if line is not None and line.cooperative_id != cooperative.pk:
        raise Refusal(_("Choose a line of your own cooperative."), field="line", rule="other_cooperative")
    return year


def _hold_labels(cooperative: Cooperative) -> None:
    Cooperative.objects.select_for_update(of=("self",)).get(pk=cooperative.pk)


def _check_label_free(cooperative: Cooperative, label: str, *, but: Queen | None = None) -> None:
    same = queens_labelled(cooperative.pk, label)
    if but is not None:
        same = same.exclude(pk=but.pk)
    if same.exists():
        raise Refusal(
            _("There is a queen %(label)s already. Choose another label.") % {"label": label},
            field="label",
            rule="label_taken",
        )


def _check_no_loop(queen: Queen, mother: Queen) -> None:
    if descends_from(mother.pk, queen.pk):
        raise Refusal(
            _("%(mother)s descends from %(queen)s. A queen cannot be her own ancestor: choose another mother.")
            % {"mother": mother.label, "queen": queen.label},
            field="mother",
            rule="loop",
        )


def _check_daughters_younger(queen: Queen) -> None:
    for daughter in Queen.objects.filter(mother=queen).only("label", "emerged_on", "birth_year"):
        try:
            check_older(queen.label, queen.emerged_on, queen.birth_year, daughter.emerged_on, daughter.birth_year)
        except Refusal:
            raise Refusal(
                _("Her daughter %(daughter)s would be older than she. Correct the daughter first.")
                % {"daughter": daughter.label},
                field="emerged_on" if queen.emerged_on is not None else "birth_year",
                rule="mother_older",
            ) from None
