"""Making a key for a program."""

from django import forms
from django.utils.translation import gettext_lazy as _

from accounts.models import Scope

DAYS = [("30", _("30 days")), ("90", _("90 days")), ("366", _("a year")), ("", _("until I end it"))]


class TokenForm(forms.Form):
    name = forms.CharField(
        label=_("What is it for?"), max_length=80, help_text=_("So that you know later which program it was.")
    )
    scopes = forms.MultipleChoiceField(
        label=_("It may"),
        choices=Scope.choices,
        initial=[Scope.READ],
        widget=forms.CheckboxSelectMultiple,
        help_text=_("Never more than you may do yourself."),
    )
    days = forms.TypedChoiceField(
        label=_("It works for"), choices=DAYS, coerce=int, required=False, empty_value=None, initial="90"
    )
