"""A link for somebody who has no sign-in."""

from django import forms
from django.utils.translation import gettext_lazy as _

DAYS = [("30", _("30 days")), ("90", _("90 days")), ("366", _("a year"))]


class GuestLinkForm(forms.Form):
    name = forms.CharField(
        label=_("What is it for?"), max_length=80, help_text=_("So that you know later which link it was.")
    )
    days = forms.TypedChoiceField(label=_("It works for"), choices=DAYS, coerce=int, initial="90")
