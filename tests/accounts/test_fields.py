"""Fields for numbers: comma and point are taken, and what stands in them is written as the reader writes it."""

import inspect
import pkgutil
from collections.abc import Iterator
from decimal import Decimal
from importlib import import_module

import pytest
from django import forms
from django.utils.translation import override

from accounts.fields import CommaDecimalField, VolumeField

ROOMS = ("accounts.forms", "breeding.forms", "scheduling.forms")


class Measured(forms.Form):
    value = CommaDecimalField()
    dose = VolumeField()


@pytest.mark.parametrize(("language", "value", "dose"), [("en-gb", "2.50", "8.5"), ("de", "2,50", "8,5")])
def test_what_stands_in_a_field_is_written_as_the_reader_writes_it(language: str, value: str, dose: str) -> None:
    initial = {"value": Decimal("2.50"), "dose": 85}
    with override(language):
        shown = Measured(initial=initial)
        assert (shown["value"].value(), shown["dose"].value()) == (value, dose)
        again = Measured({"value": value, "dose": dose}, initial=initial)
        assert again.is_valid()
        assert again.cleaned_data == {"value": Decimal("2.50"), "dose": 85}


@pytest.mark.parametrize("written", ["8,5", "8.5", " 8,5 "])
@pytest.mark.parametrize("language", ["en-gb", "de", "fr", "es"])
def test_comma_and_point_are_the_same_in_every_language(language: str, written: str) -> None:
    with override(language):
        assert CommaDecimalField().clean(written) == Decimal("8.5")


def forms_of(room: str) -> Iterator[type[forms.Form]]:
    for found in pkgutil.walk_packages(import_module(room).__path__, f"{room}."):
        for _name, one in inspect.getmembers(import_module(found.name), inspect.isclass):
            if issubclass(one, forms.Form) and one.__module__ == found.name:
                yield one


@pytest.mark.parametrize("room", ROOMS)
def test_every_number_with_decimals_takes_a_comma(room: str) -> None:
    """A field that a form makes for itself as it is opened is looked for in its source."""
    found = list(forms_of(room))
    assert len(found) > 5
    for form in found:
        for name, field in form.base_fields.items():
            is_plain = isinstance(field, forms.DecimalField | forms.FloatField)
            assert not is_plain or isinstance(field, CommaDecimalField), f"{form.__qualname__}.{name}"
        assert "forms.DecimalField" not in inspect.getsource(form)
        assert "forms.FloatField" not in inspect.getsource(form)
