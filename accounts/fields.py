"""Form fields shared by all pages: numbers take comma and point, volumes are µl outside and tenths inside."""

from decimal import Decimal
from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from django.utils.formats import get_format
from django.utils.translation import gettext_lazy as _


class CommaDecimalField(forms.DecimalField):
    """`8,5` and `8.5` are the same number; what stands there already is written as the reader writes it."""

    default_error_messages = {"invalid": _("Enter a number, for example 8.5.")}

    def to_python(self, value: Any) -> Decimal | None:  # type: ignore[override]  # the stubs say int
        if isinstance(value, str):
            value = value.strip().replace(",", ".")
        return super().to_python(value)

    def prepare_value(self, value: Any) -> Any:
        if isinstance(value, Decimal | float):
            return str(value).replace(".", get_format("DECIMAL_SEPARATOR"))
        return value

    def widget_attrs(self, widget: forms.Widget) -> dict[str, Any]:
        return {**super().widget_attrs(widget), "inputmode": "decimal"}

    def __init__(self, **kwargs: Any) -> None:
        kwargs.setdefault("widget", forms.TextInput())
        super().__init__(**kwargs)


class VolumeField(CommaDecimalField):
    """µl with one decimal in the form; whole tenths of a µl in `cleaned_data`."""

    def __init__(self, **kwargs: Any) -> None:
        kwargs.setdefault("decimal_places", 1)
        kwargs.setdefault("max_digits", 6)
        super().__init__(**kwargs)

    def clean(self, value: Any) -> Any:
        volume_ul = super().clean(value)
        if volume_ul is None:
            return None
        tenths = volume_ul * 10
        if tenths != tenths.to_integral_value():
            raise ValidationError(_("Volumes are read to 0.1 µl. Enter for example 8.5."))
        return int(tenths)

    def prepare_value(self, value: Any) -> Any:
        return super().prepare_value(Decimal(value) / 10 if isinstance(value, int) else value)
