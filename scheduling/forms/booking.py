"""Booking a place in three steps. What was chosen before travels in the address, so Back and a bookmark work."""

from collections.abc import Sequence
from typing import Any

from django import forms
from django.utils.translation import gettext_lazy as _

from accounts.fields import VolumeField
from scheduling.forms.fields import CountField
from scheduling.models import BookingMode


class DronesForm(forms.Form):
    """Step 2: which sources, how much, how mixed."""

    batch = forms.IntegerField(widget=forms.HiddenInput)
    queens = forms.IntegerField(widget=forms.HiddenInput, min_value=1)
    source = forms.TypedMultipleChoiceField(
        label=_("Drones from"), coerce=int, widget=forms.CheckboxSelectMultiple, empty_value=[]
    )
    mode = forms.ChoiceField(
        label=_("How they may be used"), choices=BookingMode.choices, widget=forms.RadioSelect, initial=BookingMode.EACH
    )
    dose = VolumeField(label=_("Dose for each queen, µl"), min_value=0, max_value=50)

    def __init__(self, sources: Sequence[tuple[int, str]], *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        field = self.fields["source"]
        assert isinstance(field, forms.MultipleChoiceField)
        field.choices = list(sources)


class DayForm(forms.Form):
    """Step 3: which bench day. Everything chosen before is hidden in it and checked again by the service."""

    batch = forms.IntegerField(widget=forms.HiddenInput)
    source = forms.TypedMultipleChoiceField(coerce=int, widget=forms.MultipleHiddenInput, empty_value=[])
    mode = forms.ChoiceField(choices=BookingMode.choices, widget=forms.HiddenInput)
    dose = VolumeField(widget=forms.HiddenInput)
    key = forms.UUIDField(widget=forms.HiddenInput)
    session = forms.TypedChoiceField(label=_("Bench day"), coerce=int, widget=forms.RadioSelect)
    queens = CountField(label=_("How many of the queens"), min_value=1, max_value=500)
    note = forms.CharField(
        label=_("Note to the coordinator"),
        max_length=300,
        required=False,
        help_text=_("Needed when the queens are older than usual on that day."),
    )

    def __init__(
        self, sources: Sequence[tuple[int, str]], sessions: Sequence[tuple[int, str]], *args: Any, **kwargs: Any
    ) -> None:
        super().__init__(*args, **kwargs)
        for name, choices in (("source", sources), ("session", sessions)):
            field = self.fields[name]
            assert isinstance(field, forms.ChoiceField | forms.MultipleChoiceField)
            field.choices = list(choices)
