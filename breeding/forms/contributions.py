"""What a plan of contributions shall hold, in the address so that it can be shared."""

from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from django.utils.translation import gettext_lazy as _

from accounts.access import Viewer
from accounts.fields import CommaDecimalField
from breeding.forms.crosses import ALLELES, QueensField
from breeding.queries.contributions import CANDIDATES_AT_MOST, Wish
from breeding.queries.crosses import OPEN_STOCK_ALLELES, CrossOptions

GOALS = (("inbreeding", _("the lowest inbreeding")), ("viability", _("the highest brood viability")))
MOST_QUEENS = 1000
USUAL = Wish()


class ContributionForm(forms.Form):
    """Every field may stay empty: then the usual plan is worked out."""

    def __init__(self, *args: Any, viewer: Viewer, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["mothers"] = QueensField(
            label=_("Mothers"),
            required=False,
            cooperative=viewer.cooperative,
            at_most=CANDIDATES_AT_MOST,
            help_text=_("Labels, parted by commas. Empty: all living mated queens of the evaluation."),
        )
        self.fields["sources"] = QueensField(
            label=_("Drone sources"),
            required=False,
            cooperative=viewer.cooperative,
            at_most=CANDIDATES_AT_MOST,
            help_text=_("Empty: all living ranked queens."),
        )
        self.fields["rate"] = CommaDecimalField(
            label=_("Rise of coancestry in a generation, at most %"),
            required=False,
            min_value=0,
            max_value=50,
            decimal_places=3,
            help_text=_("Empty: 1. Below 1 % a generation is the usual mark for a stock that lasts."),
        )
        self.fields["ceiling"] = CommaDecimalField(
            label=_("Or: mean coancestry of the next generation, at most %"),
            required=False,
            min_value=0,
            max_value=100,
            decimal_places=3,
            help_text=_("Counts instead of the rise, where given."),
        )
        self.fields["queens"] = _number(_("Queens to raise and inseminate"), _("Empty: 40."), most=MOST_QUEENS)
        self.fields["mother_most"] = _number(_("From one mother at most"), _("Empty: no limit."))
        self.fields["mother_least"] = _number(_("From one mother at least"), _("Fewer are not raised from her at all."))
        self.fields["source_most"] = _number(_("With drones of one source at most"), _("Empty: no limit."))
        self.fields["source_least"] = _number(_("With drones of one source at least"), _("Fewer: she gives no drones."))
        self.fields["goal"] = forms.ChoiceField(label=_("Bring them together for"), choices=GOALS, required=False)
        self.fields["alleles"] = forms.ChoiceField(label=_("Sex alleles in the stock"), choices=ALLELES, required=False)

    def clean_ceiling(self) -> Any:
        ceiling = self.cleaned_data["ceiling"]
        if ceiling is not None and ceiling == 0:
            raise ValidationError(_("Enter a ceiling above 0 %, or leave it empty."))
        return ceiling

    def wish(self) -> Wish:
        data = self.cleaned_data
        return Wish(
            rate=USUAL.rate if data["rate"] is None else float(data["rate"]) / 100,
            ceiling=None if data["ceiling"] is None else float(data["ceiling"]) / 100,
            queens=data["queens"] or USUAL.queens,
            mother_most=data["mother_most"],
            source_most=data["source_most"],
            mother_least=data["mother_least"] or USUAL.mother_least,
            source_least=data["source_least"] or USUAL.source_least,
            goal=data["goal"] or USUAL.goal,
            options=CrossOptions(alleles=int(data["alleles"] or OPEN_STOCK_ALLELES)),
        )


def _number(label: Any, help_text: Any, most: int = MOST_QUEENS) -> forms.IntegerField:
    return forms.IntegerField(label=label, required=False, min_value=1, max_value=most, help_text=help_text)
