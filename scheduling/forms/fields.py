"""Fields that several season forms share."""

from typing import Any

from django import forms
from django.utils.translation import gettext_lazy as _

from accounts.models import Apiary, Member
from breeding.models import Queen


class DayField(forms.DateField):
    """A calendar day, with the browser's own picker."""

    def __init__(self, **kwargs: Any) -> None:
        kwargs.setdefault("widget", forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d"))
        kwargs.setdefault("error_messages", {"invalid": _("Enter a day, for example 2026-06-25.")})
        super().__init__(**kwargs)


class CountField(forms.IntegerField):
    """A whole number of things, on a numeric keypad."""

    def __init__(self, **kwargs: Any) -> None:
        kwargs.setdefault("min_value", 0)
        kwargs.setdefault("widget", forms.NumberInput(attrs={"inputmode": "numeric"}))
        super().__init__(**kwargs)


class HourField(CountField):
    def __init__(self, **kwargs: Any) -> None:
        kwargs.setdefault("max_value", 23)
        kwargs.setdefault("required", False)
        kwargs.setdefault("help_text", _("Full hour, 0 to 23. Leave it empty if you do not know."))
        super().__init__(**kwargs)


class MemberField(forms.ModelChoiceField[Member]):
    """For whom it is entered; with a single choice it needs no asking."""


class ApiaryField(forms.ModelChoiceField[Apiary]):
    def label_from_instance(self, obj: Apiary) -> str:
        return obj.name


class QueenField(forms.ModelChoiceField[Queen]):
    def label_from_instance(self, obj: Queen) -> str:
        return f"{obj.label} ({obj.owner.name})"
