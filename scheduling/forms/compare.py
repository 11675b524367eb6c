from typing import Any

from django import forms
from django.db.models import QuerySet
from django.utils.translation import gettext_lazy as _

from scheduling.models import Plan
from scheduling.queries.compare import plan_title


class _PlanField(forms.ModelChoiceField):  # type: ignore[type-arg]
    def label_from_instance(self, obj: Plan) -> str:
        return plan_title(obj)


class CompareForm(forms.Form):
    """Which two plans; in the address, so that the page can be kept and passed on."""

    first = _PlanField(label=_("This plan"), queryset=Plan.objects.none(), empty_label=None)
    second = _PlanField(label=_("Beside this one"), queryset=Plan.objects.none(), empty_label=None)

    def __init__(self, *args: Any, plans: QuerySet[Plan], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        for field in self.fields.values():
            field.queryset = plans  # type: ignore[attr-defined]

    def clean(self) -> dict[str, Any]:
        data = super().clean() or {}
        if data.get("first") is not None and data.get("first") == data.get("second"):
            self.add_error("second", _("Choose another plan than the first."))
        return data
