"""The walk-through of the first run."""

from django import forms
from django.utils.translation import gettext_lazy as _

from accounts.forms.fields import EmailAddressField, PasswordField, ZoneField


class FoundingForm(forms.Form):
    name = forms.CharField(label=_("Name of the cooperative"), max_length=120)
    time_zone = ZoneField(initial="Europe/Berlin", help_text=_("Bench times are shown in it."))
    person_name = forms.CharField(
        label=_("Your name"), max_length=120, widget=forms.TextInput(attrs={"autocomplete": "name"})
    )
    email = EmailAddressField(
        label=_("Your e-mail"),
        widget=forms.EmailInput(attrs={"autocomplete": "username"}),
        help_text=_("You sign in with it."),
    )
    password = PasswordField(label=_("Your password"), new=True)
    member_name = forms.CharField(
        label=_("Name of your apiary business"), max_length=120, help_text=_("It becomes the first member.")
    )
    apiary_name = forms.CharField(label=_("Name of your first apiary"), max_length=80)
    apiary_place = forms.CharField(
        label=_("How to find it"),
        max_length=120,
        required=False,
        help_text=_("Shown to you and the coordinator only."),
    )
