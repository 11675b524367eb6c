"""Form fields of the stock: days, and queens named by their label."""

import datetime as dt
from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from django.db.models import QuerySet, Value
from django.db.models.functions import Concat
from django.utils.translation import gettext_lazy as _

from accounts.forms.named import Named
from accounts.models import Cooperative
from breeding.models import Queen
from breeding.queries.stock import (
    apiaries_seen_by,
    open_apiaries_for,
    own_colonies_without_queen,
    queens_labelled,
    semen_batches_of_viewer,
)

LABELS_LIST = "queen-labels"

APIARIES = Named(
    "apiary",
    open_apiaries_for,
    Concat("name", Value(", "), "member__name"),
    lambda apiary: f"{apiary.name}, {apiary.member.name}",
)
APIARIES_SEEN = Named(
    "apiary-seen",
    apiaries_seen_by,
    Concat("member__name", Value(": "), "name"),
    lambda apiary: f"{apiary.member.name}: {apiary.name}",
)
COLONIES_WITHOUT_QUEEN = Named("colony", own_colonies_without_queen, Concat("apiary__name", Value(" "), "name"))
SEMEN_BATCHES = Named("semen-batch", semen_batches_of_viewer, "label")


class DayField(forms.DateField):
    """A calendar day with the device's own picker; typed, it takes 2026-06-09 and 9.6.2026 alike."""

    def __init__(self, **kwargs: Any) -> None:
        kwargs.setdefault("widget", forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d"))
        kwargs.setdefault("input_formats", ["%Y-%m-%d", "%d.%m.%Y", "%d/%m/%Y"])
        kwargs.setdefault("error_messages", {"invalid": _("Enter a day, for example 2026-06-09.")})
        super().__init__(**kwargs)


class QueenField(forms.CharField):
    """A queen by her label, whatever its case; what was typed is kept when nobody goes by it.

    The page offers labels in one shared list (`breeding/queen_labels.html`); any other label can be typed.

    among : the queens that may be named here, where not all may; `error_messages["not_among"]` says which.
    """

    def __init__(self, *, cooperative: Cooperative, among: QuerySet[Queen] | None = None, **kwargs: Any) -> None:
        self.cooperative, self.among = cooperative, among
        kwargs.setdefault("max_length", 40)
        kwargs.setdefault(
            "widget", forms.TextInput(attrs={"list": LABELS_LIST, "autocomplete": "off", "autocapitalize": "off"})
        )
        super().__init__(**kwargs)

    def clean(self, value: Any) -> Any:
        label = super().clean(value)
        if not label:
            return None
        queen = queens_labelled(self.cooperative.pk, label).select_related("line", "cooperative", "owner").first()
        if queen is None:
            raise ValidationError(
                _("There is no queen %(label)s. Check the label, or register her first."), params={"label": label}
            )
        if self.among is not None and not self.among.filter(pk=queen.pk).exists():
            raise ValidationError(self.error_messages["not_among"], params={"label": queen.label})
        return queen


def day_text(day: dt.date | None) -> str:
    return day.isoformat() if day is not None else ""
