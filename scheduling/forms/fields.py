"""Fields that several season forms share."""

from typing import Any

from django import forms
from django.utils.translation import gettext_lazy as _

from accounts.forms.named import MEMBERS, NamedField
from breeding.forms.fields import APIARIES, DayField

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


class MemberField(NamedField):
    """For whom it is entered."""

    def __init__(self, *, queryset: Any, **kwargs: Any) -> None:
        super().__init__(queryset, named=MEMBERS, **kwargs)


class ApiaryField(NamedField):
    def __init__(self, *, queryset: Any, **kwargs: Any) -> None:
        super().__init__(queryset, named=APIARIES, **kwargs)
