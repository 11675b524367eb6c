"""Two rows that are one queen made one, everything that names her with them; and made two again.

One transaction each, one row in the history. The row that goes is kept whole in `QueenMerge`, with the ids of all rows
that were moved, so that undoing needs no guess. It is refused when something newer could belong to either of the two.
"""

import datetime as dt
from collections.abc import Collection
from typing import Any

from django.apps import apps
from django.db import transaction
from django.db.models import Model
from django.utils.translation import gettext as _

from accounts.models import AuditEntry, Cooperative, Person
from accounts.refusals import Refusal
from accounts.services.audit import audit_record, fields_of
from breeding.models import Mating, Queen, QueenMerge
from breeding.queries.references import DERIVED, QUEEN, Reference, references
from breeding.queries.stock import queens_labelled
from breeding.services.merge_checks import mating_that_knows_more, matings_of, merge_obstacles
from breeding.services.merge_values import CHANGED, GROUPS, columns_of, merged, row_of

RESULTS = {key.rpartition(".")[0] for key in DERIVED}  # go with their run


def queen_merge(
    kept: Queen, other: Queen, *, by: Person | None, now: dt.datetime, take: Collection[str] = ()
) -> QueenMerge:
    """`other` was `kept` all along. `take` names the groups of `merge_values.GROUPS` whose values are the other's."""
    if not set(take) <= GROUPS.keys():
        raise TypeError(f"not a group of values: {', '.join(sorted(set(take) - GROUPS.keys()))}")
    with transaction.atomic():
        Cooperative.objects.select_for_update(of=("self",)).get(pk=kept.cooperative_id)
        done = QueenMerge.objects.filter(kept=kept.pk, other_id=other.pk, undone_at=None).first()
        if done is not None:
            return done
        rows = Queen.objects.select_for_update(of=("self",)).select_related("cooperative", "mother", "owner")
        both = {row.pk: row for row in rows.filter(pk__in=[kept.pk, other.pk]).order_by("pk")}
        if len(both) < 2:
            raise Refusal(_("One of the two is not there any more. Look at the list again."), rule="merge_pair")
        kept, other = both[kept.pk], both[other.pk]
        wanted = merged(kept, other, take)
        obstacles = merge_obstacles(kept, other, wanted, now=now)
        if obstacles:
            raise obstacles[0]
        merge = QueenMerge(
            cooperative=kept.cooperative, kept=kept, other_id=other.pk, other_label=other.label,
            merged_at=now, merged_by=by, before=columns_of(kept), other=columns_of(other),
        )  # fmt: skip
        before = fields_of(kept, CHANGED)
        merge.removed = _same_twice_remove(kept, other)
        merge.own, merge.moved = _move(kept, other)
        _delete_bare(other)
        _take_over(kept, wanted)
        kept.save(update_fields=[*CHANGED, "alike"])
        merge.after = columns_of(kept)
        merge.save()
        audit_record(
            kept, action="queen.merge", by=by, now=now, cooperative=kept.cooperative,
            before={"other": other.label, **_differing(before, fields_of(kept, CHANGED))},
            after=_differing(fields_of(kept, CHANGED), before),
        )  # fmt: skip
    return merge


def queen_unmerge(merge: QueenMerge, *, by: Person | None, now: dt.datetime) -> QueenMerge:
    """They are two queens after all: everything as it was. Twice is once."""
    with transaction.atomic():
        Cooperative.objects.select_for_update(of=("self",)).get(pk=merge.cooperative_id)
        merge = QueenMerge.objects.select_for_update(of=("self",)).select_related("cooperative").get(pk=merge.pk)
        if merge.undone_at is not None:
            return merge
        kept = Queen.objects.select_for_update(of=("self",)).get(pk=merge.kept_id)
        _refuse_newer(merge, kept)
        before = fields_of(kept, CHANGED)
        old = row_of(QUEEN, merge.before)
        _take_over(kept, old)
        kept.save(update_fields=[*CHANGED, "alike"])
        other = row_of(QUEEN, merge.other)
        other.save(force_insert=True)
        for reference in references():
            reference.point(merge.moved.get(reference.key, []), merge.other_id)
        _put_back(merge.removed)
        merge.undone_at, merge.undone_by = now, by
        merge.save(update_fields=["undone_at", "undone_by"])
        after = fields_of(kept, CHANGED)
        audit_record(
            kept, action="queen.unmerge", by=by, now=now, cooperative=merge.cooperative,
            before=_differing(before, after), after={"other": merge.other_label, **_differing(after, before)},
        )  # fmt: skip
    return merge


def _differing(these: dict[str, Any], those: dict[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in these.items() if value != those[name]}


def _take_over(queen: Queen, source: Model) -> None:
    for name in CHANGED:
        setattr(queen, _column(name), getattr(source, _column(name)))


# Making one
def _same_twice_remove(kept: Queen, other: Queen) -> list[dict[str, Any]]:
    """Results of runs that both took part in, and the mating that says less: kept whole, then taken away."""
    removed: list[dict[str, Any]] = []
    for reference in references():
        if reference.key in DERIVED:
            rows = reference.clashing(kept.pk, other.pk)
            removed += [_stored(row) for row in rows]
            reference.model._base_manager.filter(pk__in=[row.pk for row in rows]).delete()
    matings = matings_of(kept, other)
    if len(matings) == 2:
        stays = mating_that_knows_more(matings[kept.pk], matings[other.pk])
        goes = matings[other.pk if stays == matings[kept.pk] else kept.pk]
        removed += [_stored(goes), *(_stored(share) for share in goes.shares.order_by("pk"))]
        Mating.objects.filter(pk=goes.pk).update(is_complete=False)  # what is complete must add up, share by share
        goes.delete()
    return removed


def _stored(row: Model) -> dict[str, Any]:
    return {"model": row._meta.label_lower, "columns": columns_of(row)}


def _move(kept: Queen, other: Queen) -> tuple[dict[str, list[int]], dict[str, list[int]]]:
    own: dict[str, list[int]] = {}
    moved: dict[str, list[int]] = {}
    for reference in references():
        if reference.key not in DERIVED:
            own[reference.key] = _pks(reference, kept.pk)
        moved[reference.key] = _pks(reference, other.pk)
        reference.point(moved[reference.key], kept.pk)
    return own, moved


def _pks(reference: Reference, queen_id: int) -> list[int]:
    return list(reference.rows(queen_id).order_by("pk").values_list("pk", flat=True))


def _delete_bare(other: Queen) -> None:
    """Nothing names her any more: otherwise the row would take away with it what hangs on it."""
    left = [reference.key for reference in references() if reference.rows(other.pk).exists()]
    if left:
        raise RuntimeError(f"still named by {', '.join(left)}")
    Queen.objects.filter(pk=other.pk).delete()


# Making two again
def _refuse_newer(merge: QueenMerge, kept: Queen) -> None:
    later = QueenMerge.objects.filter(kept=kept, pk__gt=merge.pk, undone_at=None).order_by("-pk").first()
    if later is not None:
        raise _newer(_("%(label)s was merged into her later. Undo that first.") % {"label": later.other_label})
    now_is = columns_of(kept)
    changed = [name for name in CHANGED if now_is[_column(name)] != merge.after[_column(name)]]
    if changed:
        names = ", ".join(str(Queen._meta.get_field(name).verbose_name) for name in changed)  # type: ignore[union-attr]
        text = _("%(label)s was corrected since (%(names)s). Correct that back first.")
        raise _newer(text % {"label": kept.label, "names": names})
    for reference in references():
        if reference.key in DERIVED or reference.model is QueenMerge or not reference.field.is_relation:
            continue
        was = {*merge.own.get(reference.key, []), *merge.moved.get(reference.key, [])}
        if was != set(_pks(reference, kept.pk)):
            text = _("Since then something came or went that may belong to either of the two: %(what)s.")
            raise _newer(text % {"what": reference.words})
    if any(row["model"] == Mating._meta.label_lower for row in merge.removed):
        mine = Mating.objects.filter(queen=kept).values("pk")
        about = AuditEntry.objects.filter(subject_type=Mating._meta.label_lower, subject_id__in=mine)
        if about.filter(at__gt=merge.merged_at).exists():
            raise _newer(_("Her mating was corrected since."))
    if queens_labelled(kept.cooperative_id, merge.other["label"]).exclude(pk=kept.pk).exists():
        text = _("Another queen is called %(label)s now. Give that one another label first.")
        raise _newer(text % {"label": merge.other["label"]})
    stored = [{"model": QUEEN, "columns": merge.other}]
    stored += [{"model": QUEEN, "columns": merge.before}]
    stored += [row for row in merge.removed if row["model"] not in RESULTS]
    if not all(_stands(row, {merge.other_id}) for row in stored):
        raise _newer(_("What it rested on is not there any more."))


def _newer(text: str) -> Refusal:
    return Refusal(_("They cannot be made two again. %(why)s") % {"why": text}, rule="unmerge_newer")


def _column(name: str) -> str:
    return str(Queen._meta.get_field(name).attname)  # type: ignore[union-attr]


def _stands(stored: dict[str, Any], coming: set[int]) -> bool:
    """Whether everything the row points at is there, or comes back with it."""
    for field in apps.get_model(stored["model"])._meta.concrete_fields:
        pk = stored["columns"].get(field.attname)
        if field.related_model is None or pk is None or (field.related_model is Queen and pk in coming):
            continue
        if field.related_model is Mating or field.related_model._base_manager.filter(pk=pk).exists():
            continue
        return False
    return True


def _put_back(removed: list[dict[str, Any]]) -> None:
    """In their order: a mating before its parts, and complete only when they are there."""
    complete = []
    for stored in removed:
        if stored["model"] in RESULTS and not _stands(stored, set()):
            continue
        row = row_of(stored["model"], stored["columns"])
        if isinstance(row, Mating):
            complete += [row.pk] if row.is_complete else []
            row.is_complete, row.recorded_tenths = False, 0
        row.save(force_insert=True)
    Mating.objects.filter(pk__in=complete).update(is_complete=True)
