from django import forms
from django.utils.translation import gettext_lazy as _

from accounts.saved_views import PAGES


class ViewForm(forms.Form):
    page = forms.ChoiceField(choices=[(key, key) for key in PAGES], widget=forms.HiddenInput)
    query = forms.CharField(required=False, max_length=2000, widget=forms.HiddenInput)
    name = forms.CharField(label=_("Name of the view"), max_length=60)
