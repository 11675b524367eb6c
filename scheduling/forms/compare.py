from typing import Any

from django import forms
from django.db.models import QuerySet
from django.utils.translation import gettext_lazy as _

from scheduling.models import Plan
from scheduling.queries.compare import plan_title


class CompareForm(forms.Form):
    """Which two plans; in the address, so that the page can be kept and passed on."""

    first = forms.ModelChoiceField(label=_("This plan"), queryset=Plan.objects.none(), empty_label=None)
    second = forms.ModelChoiceField(label=_("Beside this one"), queryset=Plan.objects.none(), empty_label=None)

    def __init__(self, *args: Any, plans: QuerySet[Plan], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        choices = [(plan.pk, plan_title(plan)) for plan in plans]
        for field in self.fields.values():
            field.queryset = plans  # type: ignore[attr-defined]
            field.choices = choices  # type: ignore[attr-defined]  # read once, not twice for each of the fields

    def clean(self) -> dict[str, Any]:
        data = super().clean() or {}
        if data.get("first") is not None and data.get("first") == data.get("second"):
            self.add_error("second", _("Choose another plan than the first."))
        return data
