"""Signing in, and one's own password."""

from typing import Any

from django import forms
from django.utils.translation import gettext_lazy as _

from accounts.forms.fields import EmailAddressField, PasswordField
from accounts.models import Person


class SignInForm(forms.Form):
    email = EmailAddressField(widget=forms.EmailInput(attrs={"autocomplete": "username", "autofocus": True}))
    password = PasswordField(label=_("Password"), new=False)


class PasswordLinkForm(forms.Form):
    email = EmailAddressField()


class PasswordChangeForm(forms.Form):
    current = PasswordField(label=_("Your password of now"), new=False)
    password = PasswordField(label=_("New password"), new=True)


class NewPasswordForm(forms.Form):
    """One field: who mistypes it asks for another link. The service checks its strength."""

    password = PasswordField(label=_("New password"), new=True)

    def __init__(self, *args: Any, user: Person, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.user = user
