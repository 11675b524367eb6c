"""Taking back what an import made, as long as nothing else hangs on it."""

import datetime as dt
from collections.abc import Iterator

from django.apps import apps
from django.db.models import Model
from django.utils.translation import gettext as _

from accounts.models import AuditEntry
from accounts.refusals import Refusal
from breeding.models import EvaluationRun, Line, Mating, Queen, QueenStatus, Score, SemenBatch
from breeding.services.imports.kinds import Asked
from breeding.services.loading.write import Made, in_parts

MOST_NAMED = 5
# What hangs on others goes first. What belongs to a thing alone (its shares) goes with it.
ORDER = (
    "breeding.score", "breeding.heading", "breeding.colony", "breeding.mating", "breeding.semenbatch",
    "breeding.queen", "breeding.line", "accounts.apiary",
)  # fmt: skip
GO_ALONG = {"breeding.matingshare", "breeding.semenbatchshare"}


def made_remove(made: Made, asked: Asked, imported_at: dt.datetime) -> None:
    """Inside the caller's transaction. Refused with whatever depends on it, or was changed since."""
    reasons = [*_changed_since(made, imported_at), *_hangs_on(made)]
    if reasons:
        raise Refusal(" ".join([_("It cannot be undone any more."), *reasons[:MOST_NAMED]]), rule="import_in_use")
    was_counted = EvaluationRun.objects.filter(cooperative=asked.viewer.cooperative, made_at__gte=imported_at).exists()
    mated = _queens_of_matings(made)
    for part in in_parts(made.get("breeding.queen", [])):
        Queen.objects.filter(pk__in=part).update(mother=None)  # daughters and mothers go together
    for label in ORDER:
        model = apps.get_model(label)
        for part in in_parts(made.get(label, [])):
            things = model._default_manager.filter(pk__in=part)
            if model is Score and was_counted:  # runs that counted them stay readable
                things.update(withdrawn_at=asked.now)
                continue
            if model in (Mating, SemenBatch):
                things.update(is_complete=False)  # what is complete must add up, share by share
            if model is Line:
                things = things.filter(queens__isnull=True)  # others may have taken it up
            things.delete()
    for part in in_parts(mated):
        Queen.objects.filter(pk__in=part, status=QueenStatus.MATED, mating__isnull=True).update(
            status=QueenStatus.VIRGIN
        )


def _queens_of_matings(made: Made) -> list[int]:
    return [
        queen
        for part in in_parts(made.get("breeding.mating", []))
        for queen in Mating.objects.filter(pk__in=part).values_list("queen_id", flat=True)
    ]


def _changed_since(made: Made, imported_at: dt.datetime) -> Iterator[str]:
    """Somebody's correction would go too."""
    for label, pks in made.items():
        model = apps.get_model(label)
        if any(model._default_manager.filter(pk__in=part).count() < len(part) for part in in_parts(pks)):
            yield _("Some of what it made is not there any more.")
        for part in in_parts(pks):
            entry = AuditEntry.objects.filter(subject_type=label, subject_id__in=part, at__gt=imported_at).first()
            if entry is not None:
                yield _("%(name)s was changed since.") % {"name": _name(entry.subject_type, entry.subject_id)}
                break
    for part in in_parts(made.get("breeding.score", [])):
        corrected = Score.objects.filter(pk__in=part, replaced_by__isnull=False).first()
        if corrected is not None:
            yield _("%(name)s was changed since.") % {"name": corrected}
            break


def _hangs_on(made: Made) -> Iterator[str]:
    for label, pks in made.items():
        model = apps.get_model(label)
        if model is Line:
            continue
        for relation in model._meta.related_objects:
            other: type[Model] = relation.related_model
            if other._meta.label_lower in GO_ALONG and relation.field.name in {"mating", "batch"}:
                continue
            own = set(made.get(other._meta.label_lower, []))
            for part in in_parts(pks):
                rows = other._default_manager.filter(**{f"{relation.field.name}__in": part})
                found = next((row for row in rows.order_by("pk")[: len(own) + 1] if row.pk not in own), None)
                if found is not None:
                    thing = _name(label, getattr(found, relation.field.attname))
                    yield _("%(what)s “%(row)s” depends on %(name)s.") % {
                        "what": str(other._meta.verbose_name).capitalize(),
                        "row": found,
                        "name": thing,
                    }
                    break


def _name(label: str, pk: int) -> str:
    return str(apps.get_model(label)._default_manager.filter(pk=pk).first() or "")
