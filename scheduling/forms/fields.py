"""Fields that several season forms share."""

from typing import TYPE_CHECKING, Any

from django import forms
from django.utils.translation import gettext_lazy as _

from accounts.models import Apiary, Member
from breeding.forms.fields import DayField

__all__ = ["ApiaryField", "CountField", "DayField", "HourField", "MemberField"]


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


if TYPE_CHECKING:
    MemberChoice = forms.ModelChoiceField[Member]
    ApiaryChoice = forms.ModelChoiceField[Apiary]
else:
    MemberChoice = ApiaryChoice = forms.ModelChoiceField


class MemberField(MemberChoice):
    """For whom it is entered."""


class ApiaryField(ApiaryChoice):
    def label_from_instance(self, obj: Apiary) -> str:
        return obj.name
