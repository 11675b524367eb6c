"""Everything that names a queen, found from the models: what goes along when two rows turn out to be one queen.

Models of apps to the right are named, not imported. A column that is not in `WORDS` fails the tests and is refused.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from django.apps import apps
from django.db.models import F, Field, ForeignObjectRel, Model, OneToOneField, Q, QuerySet, UniqueConstraint
from django.utils.translation import gettext_lazy as _

from breeding.models import Queen

QUEEN = Queen._meta.label_lower
BY_NAME = {"subject_type", "subject_id"}  # models that name a thing of any kind
STAYS = {"accounts.auditentry.subject_id"}  # the history is never edited; her card reads that of both
DERIVED = {"breeding.traitvalue.queen", "breeding.merit.queen"}  # worked out: the next evaluation writes them anew

WORDS: dict[str, Any] = {
    "breeding.queen.mother": _("Daughters"),
    "breeding.heading.queen": _("Colonies she headed"),
    "breeding.score.queen": _("Scores"),
    "breeding.mating.queen": _("Her own mating"),
    "breeding.mating.station_mother": _("Matings at stations with her daughters"),
    "breeding.matingshare.drone_queen": _("Matings with her drones"),
    "breeding.semenbatchshare.drone_queen": _("Semen mixtures with her drones"),
    "breeding.plannedcross.mother": _("Planned crosses with her as mother"),
    "breeding.crossshare.drone_queen": _("Planned crosses with her drones"),
    "breeding.traitvalue.queen": _("Breeding values of traits"),
    "breeding.merit.queen": _("Merits in evaluations"),
    "breeding.queenmerge.kept": _("Earlier merges into her"),
    "scheduling.queenbatch.mother": _("Batches grafted from her"),
    "scheduling.batchqueen.queen": _("Her place in a batch"),
    "scheduling.dronesource.drone_queen": _("Drone sources of a season"),
    "scheduling.reminder.subject_id": _("Reminders"),
    "accounts.guestlink.subject_id": _("Links for guests"),
}
CLASHES: dict[str, Any] = {
    "breeding.matingshare.drone_queen": _(
        "Both gave drones to one mating: %(things)s. Correct that mating first, so that she stands there once."
    ),
    "breeding.semenbatchshare.drone_queen": _(
        "Both stand in one semen mixture: %(things)s. Correct what it was mixed from first, so that she stands there "
        "once."
    ),
    "breeding.crossshare.drone_queen": _(
        "Both give drones to one planned cross: %(things)s. Remove it first, and plan it again with one of them."
    ),
    "scheduling.dronesource.drone_queen": _(
        "Both are offered as drone sources in one season: %(things)s. Withdraw one of the two first."
    ),
    "scheduling.batchqueen.queen": _(
        "Both have a place in a batch: %(things)s. Correct how many emerged in the batch where she does not belong "
        "first."
    ),
}


@dataclass(frozen=True)
class Reference:
    """One column that names queens."""

    model: type[Model]
    field: "Field[Any, Any]"

    @property
    def key(self) -> str:
        return f"{self.model._meta.label_lower}.{self.field.name}"

    @property
    def words(self) -> str:
        return str(WORDS[self.key])

    def rows(self, queen_id: int) -> QuerySet[Any]:
        rows = self.model._base_manager.filter(**{self.field.attname: queen_id})
        return rows if self.field.is_relation else rows.filter(subject_type=QUEEN)

    def point(self, pks: list[int], queen_id: int) -> int:
        """Let these rows name that queen; a row with a version counts as changed."""
        values: dict[str, Any] = {self.field.attname: queen_id}
        if any(field.name == "version" for field in self.model._meta.concrete_fields):
            values["version"] = F("version") + 1
        return self.model._base_manager.filter(pk__in=pks).update(**values)

    def clashing(self, kept_id: int, other_id: int) -> list[Any]:
        """Rows of the other one that cannot stand beside rows of the kept one."""
        found: dict[int, Any] = {}
        for columns, condition in self._unique():
            kept = {_said(row, columns) for row in self.rows(kept_id).filter(condition)}
            for row in self.rows(other_id).filter(condition):
                if _said(row, columns) in kept:
                    found[row.pk] = row
        return list(found.values())

    def _unique(self) -> Iterator[tuple[list[str], Q]]:
        """The other columns of each rule that allows a queen once."""
        if isinstance(self.field, OneToOneField):
            yield [], Q()
        for rule in self.model._meta.constraints:
            if isinstance(rule, UniqueConstraint) and self.field.name in rule.fields:
                others = [self.model._meta.get_field(name) for name in rule.fields if name != self.field.name]
                yield [field.attname for field in others], rule.condition or Q()  # type: ignore[union-attr]


def _said(row: Model, columns: list[str]) -> tuple[Any, ...]:
    return tuple(getattr(row, column) for column in columns)


def references() -> list[Reference]:
    relations = [one for one in Queen._meta.get_fields(include_hidden=True) if isinstance(one, ForeignObjectRel)]
    found = [Reference(relation.field.model, relation.field) for relation in relations]
    for model in apps.get_models():
        fields = {field.name: field for field in model._meta.concrete_fields}
        if fields.keys() >= BY_NAME:
            found.append(Reference(model, fields["subject_id"]))
    return sorted(
        (reference for reference in found if reference.key not in STAYS), key=lambda reference: _place(reference.key)
    )


def _place(key: str) -> int:
    """As in `WORDS`; what is not there comes last."""
    order = list(WORDS)
    return order.index(key) if key in WORDS else len(order)
