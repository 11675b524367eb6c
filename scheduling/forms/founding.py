"""The walk-through of the first run."""

from typing import Any

from django import forms
from django.utils.translation import gettext_lazy as _

from accounts.forms.fields import EmailAddressField, LanguageField, PasswordField, ZoneField
from accounts.models import Person
from accounts.services.founding import NewPerson

FOUNDER = ["person_name", "email", "password"]


class FoundingForm(forms.Form):
    """Without the part on the founder where that is somebody who is signed in."""

    name = forms.CharField(label=_("Name of the cooperative"), max_length=120)
    time_zone = ZoneField(initial="Europe/Berlin", help_text=_("Bench times are shown in it."))
    language = LanguageField(
        label=_("Language of the cooperative"), help_text=_("Everybody can choose their own for themselves.")
    )
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

    def __init__(self, *args: Any, founder: Person | None, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.founder = founder
        if founder is not None:
            for name in FOUNDER:
                del self.fields[name]

    def values(self) -> dict[str, Any]:
        """Arguments of the service."""
        values = dict(self.cleaned_data)
        if self.founder is not None:
            return {**values, "founder": self.founder}
        name, email, password = (values.pop(field) for field in FOUNDER)
        return {**values, "founder": NewPerson(name, email, password)}
