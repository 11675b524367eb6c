import uuid
from typing import Any

from django import forms
from django.utils.translation import gettext_lazy as _

from scheduling.models import Finding, Pattern


class CheckForm(forms.Form):
    """What was found when the nuc was opened."""

    entry = forms.UUIDField(required=False, widget=forms.HiddenInput)
    checked_on = forms.DateField(label=_("Looked on"), widget=forms.DateInput(attrs={"type": "date"}))
    finding = forms.ChoiceField(label=_("What was found?"), choices=Finding.choices, widget=forms.RadioSelect)
    pattern = forms.ChoiceField(
        label=_("Pattern of the sealed brood"),
        required=False,
        choices=[("", _("Not looked at")), *Pattern.choices],
        widget=forms.RadioSelect,
        help_text=_(
            "Scattered brood points to matching sex alleles, drone brood in worker cells to a failed insemination."
        ),
    )
    note = forms.CharField(label=_("Note"), max_length=200, required=False)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["entry"].initial = uuid.uuid4
