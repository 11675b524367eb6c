"""Signing in, and one's own password."""

from typing import Any

from django import forms
from django.utils.translation import gettext_lazy as _

from accounts.forms.fields import EmailAddressField, PasswordField
from accounts.models import Person


class SignInForm(forms.Form):
    email = forms.CharField(
        label=_("E-mail or user name"),
        max_length=254,
        widget=forms.TextInput(
            attrs={"autocomplete": "username", "autocapitalize": "none", "spellcheck": "false", "autofocus": True}
        ),
    )
    password = PasswordField(label=_("Password"), new=False)


class ConfirmForm(forms.Form):
    """Before what somebody at a device left open must not do."""

    current = PasswordField(label=_("Your password"), new=False)


class CodeForm(forms.Form):
    code = forms.CharField(
        label=_("Code"),
        max_length=20,
        widget=forms.TextInput(attrs={"autocomplete": "one-time-code", "inputmode": "numeric", "autofocus": True}),
    )


class PasskeyForm(forms.Form):
    name = forms.CharField(
        label=_("Name of the device"), max_length=60, help_text=_("So that you can tell it from others later.")
    )
    credential = forms.JSONField(widget=forms.HiddenInput)


class CredentialForm(forms.Form):
    """What a passkey answered to the challenge of the page."""

    credential = forms.JSONField(widget=forms.HiddenInput)


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
