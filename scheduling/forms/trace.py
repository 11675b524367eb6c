from django import forms
from django.utils.translation import gettext_lazy as _


class TellForm(forms.Form):
    """What the keepers of the queens are told."""

    words = forms.CharField(label=_("What is so, and what should they do?"), max_length=180)
