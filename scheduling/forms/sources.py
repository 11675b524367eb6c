from typing import Any

from django import forms
from django.utils.translation import gettext_lazy as _

from accounts.access import Viewer
from breeding.forms.fields import QueenField
from scheduling.forms.fields import ApiaryField, CountField, DayField
from scheduling.models import CountKind, DroneSource
from scheduling.queries.people import apiaries_acted_for, drone_queens_for


class SourceAddForm(forms.Form):
    name = forms.CharField(label=_("Name"), max_length=40, help_text=_("Short, for example “Ling”. It gets a letter."))
    apiary = ApiaryField(label=_("Apiary"), queryset=None, required=False)
    health_certificate = forms.CharField(
        label=_("Health certificate, number"),
        max_length=80,
        required=False,
        help_text=_("If your authority gives one."),
    )
    health_valid_until = DayField(label=_("Valid until"), required=False)
    note = forms.CharField(label=_("Note"), required=False, widget=forms.Textarea(attrs={"rows": 3}))

    def __init__(self, viewer: Viewer, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["drone_queen"] = QueenField(
            label=_("Drone-producing queen"),
            cooperative=viewer.cooperative,
            among=drone_queens_for(viewer),
            help_text=_("Her label. A living queen of your own."),
            error_messages={
                "not_among": _(
                    "%(label)s is gone on record, or belongs to a member that you do not act for. Only her owner can "
                    "offer her drones."
                )
            },
        )
        apiaries = self.fields["apiary"]
        assert isinstance(apiaries, ApiaryField)
        apiaries.queryset = apiaries_acted_for(viewer)
        self.order_fields(["drone_queen"])


class SourceEditForm(forms.Form):
    name = forms.CharField(label=_("Name"), max_length=40)
    apiary = ApiaryField(label=_("Apiary"), queryset=None, required=False)
    health_certificate = forms.CharField(label=_("Health certificate, number"), max_length=80, required=False)
    health_valid_until = DayField(label=_("Valid until"), required=False)
    note = forms.CharField(label=_("Note"), required=False, widget=forms.Textarea(attrs={"rows": 3}))

    def __init__(self, source: DroneSource, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        apiaries = self.fields["apiary"]
        assert isinstance(apiaries, ApiaryField)
        apiaries.queryset = source.member.apiaries.filter(closed_on__isnull=True)


class ReasonForm(forms.Form):
    """For acts that must say why."""

    reason = forms.CharField(label=_("Why"), max_length=200)


class OptionalReasonForm(forms.Form):
    reason = forms.CharField(label=_("Why, if you like"), max_length=200, required=False)


class CohortAddForm(forms.Form):
    promised_comb_on = DayField(label=_("Comb will go in on"), required=False)
    comb_in_on = DayField(label=_("Comb went in on"), required=False, help_text=_("If it is in already."))
    promised_drones = CountField(
        label=_("Drones you expect"), required=False, min_value=1, help_text=_("Your own guess; counts replace it.")
    )


class CohortStepForm(forms.Form):
    day = DayField(label=_("On"))
    version = forms.IntegerField(widget=forms.HiddenInput)


class CountForm(forms.Form):
    kind = forms.ChoiceField(label=_("What you counted"), choices=CountKind.choices, widget=forms.RadioSelect)
    counted_on = DayField(label=_("Counted on"))
    number = CountField(label=_("How many"))
