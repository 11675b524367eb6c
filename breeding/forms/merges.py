"""Which values stay when two rows are one queen; and two queens named by hand."""

from typing import Any

from django import forms
from django.utils.formats import date_format
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from accounts.access import Viewer
from breeding.forms.fields import QueenField
from breeding.models import Queen, QueenStatus
from breeding.services.merge_values import GROUPS, groups_that_differ, taken_by_default

KEPT, OTHER = "kept", "other"
NAMES: dict[str, Any] = {
    "label": gettext_lazy("Label"),
    "owner": gettext_lazy("Belongs to"),
    "mother": gettext_lazy("Mother"),
    "line": gettext_lazy("Line"),
    "emerged": gettext_lazy("Emerged"),
    "mark_number": gettext_lazy("Number on the disc"),
    "status": gettext_lazy("What became of her"),
}


class MergeForm(forms.Form):
    """One choice for each group of values in which the two differ."""

    def __init__(self, *args: Any, kept: Queen, other: Queen, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        taken = taken_by_default(kept, other)
        for group in groups_that_differ(kept, other):
            self.fields[group] = forms.ChoiceField(
                label=NAMES[group],
                choices=[(KEPT, value_words(kept, group)), (OTHER, value_words(other, group))],
                initial=OTHER if group in taken else KEPT,
                widget=forms.RadioSelect,
            )

    def take(self) -> list[str]:
        """The groups that come from the other row: as sent, or as they stand on the page."""
        said = self.cleaned_data if self.is_bound else {name: field.initial for name, field in self.fields.items()}
        return [group for group in self.fields if said.get(group) == OTHER]


class PairForm(forms.Form):
    """Any two queens, by their labels."""

    def __init__(self, *args: Any, viewer: Viewer, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        for name, label in (("first", _("She who stays")), ("second", _("is the same queen as"))):
            self.fields[name] = QueenField(cooperative=viewer.cooperative, label=label)

    def clean(self) -> dict[str, Any]:
        given = super().clean() or {}
        if given.get("first") is not None and given.get("first") == given.get("second"):
            self.add_error("second", _("This is the same row. Name the other one."))
        return given


def rows_side_by_side(kept: Queen, other: Queen) -> list[dict[str, Any]]:
    differ = groups_that_differ(kept, other)
    return [
        {
            "name": NAMES[group],
            "kept": value_words(kept, group),
            "other": value_words(other, group),
            "differs": group in differ,
        }
        for group in GROUPS
    ]


def value_words(queen: Queen, group: str) -> str:
    """What the row says there."""
    if group == "mother":
        words = queen.mother.label if queen.mother else queen.origin
    elif group == "emerged":
        words = date_format(queen.emerged_on, "DATE_FORMAT") if queen.emerged_on else str(queen.birth_year or "")
    elif group == "status":
        words = str(QueenStatus(queen.status).label)
        if queen.gone_on:
            words = " ".join(filter(None, (words, date_format(queen.gone_on, "DATE_FORMAT"), queen.gone_reason)))
    else:
        words = str(getattr(queen, group) or "")
    return words or _("not known")
