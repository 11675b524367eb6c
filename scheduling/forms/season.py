from django import forms
from django.utils.translation import gettext_lazy as _

from accounts.fields import CommaDecimalField
from scheduling.forms.fields import CountField, DayField


class SeasonForm(forms.Form):
    year = CountField(label=_("Year"), min_value=2000, max_value=2200)
    starts_on = DayField(label=_("First day"))
    ends_on = DayField(label=_("Last day"))


class SettingForm(forms.Form):
    value = CommaDecimalField(label=_("Value"), max_digits=10, decimal_places=3)
    reason = forms.CharField(label=_("Why"), max_length=200, required=False)


class StillForm(forms.Form):
    """Which bench day is asked about."""

    day = DayField(label=_("Bench day"))
