"""What a browser says of itself, and where a cooperative's text messages go."""

from django import forms
from django.utils.translation import gettext_lazy as _


class DeviceForm(forms.Form):
    endpoint = forms.CharField(max_length=1000)
    p256dh = forms.CharField(max_length=100)
    auth = forms.CharField(max_length=40)
    name = forms.CharField(max_length=80, required=False)


class GatewayForm(forms.Form):
    url = forms.CharField(
        label=_("Address of the gateway"),
        max_length=500,
        widget=forms.TextInput(attrs={"inputmode": "url", "autocomplete": "off", "spellcheck": "false"}),
        help_text=_(
            "It begins with https:// and can be reached from everywhere, such as https://sms.example.org/send."
        ),
    )
