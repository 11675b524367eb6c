import uuid
from typing import Any

from django import forms
from django.utils.translation import gettext_lazy as _

from scheduling.forms.fields import DayField
from scheduling.models import Finding, Pattern


class CheckForm(forms.Form):
    """What was found when the nuc was opened."""

    entry = forms.UUIDField(required=False, widget=forms.HiddenInput)
    checked_on = DayField(label=_("Looked on"))
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
    brood_cells = forms.IntegerField(
        label=_("Cells of a closed patch"),
        min_value=1,
        max_value=10_000,
        required=False,
        help_text=_("For brood viability, for example 100 cells of one patch."),
    )
    brood_alive = forms.IntegerField(
        label=_("Of them with living brood"), min_value=0, max_value=10_000, required=False
    )
    note = forms.CharField(label=_("Note"), max_length=200, required=False)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["entry"].initial = uuid.uuid4
