"""Colonies: added, requeened, ended."""

from typing import Any

from django import forms
from django.utils.translation import gettext_lazy as _

from accounts.access import Viewer
from accounts.forms.named import NamedField
from breeding.forms.fields import APIARIES, DayField, QueenField
from breeding.queries.stock import open_apiaries_for


class ColonyForm(forms.Form):
    name = forms.CharField(label=_("Number or name"), max_length=40, help_text=_("As it stands on the hive."))
    established_on = DayField(label=_("Established on"), required=False)

    def __init__(self, *args: Any, viewer: Viewer, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["apiary"] = NamedField(
            open_apiaries_for(viewer), named=APIARIES, label=_("Apiary"), empty_label=None
        )
        self.fields["queen"] = QueenField(
            label=_("Queen"),
            required=False,
            cooperative=viewer.cooperative,
            help_text=_("Her label, if she is registered. Leave it empty to register her in the next step."),
        )
        self.fields["since"] = DayField(
            label=_("She heads it since"), required=False, help_text=_("Empty: since it was established, or today.")
        )
        self.fields["note"] = forms.CharField(label=_("Note"), required=False, widget=forms.Textarea(attrs={"rows": 3}))
        self.order_fields(["apiary", "name", "established_on", "queen", "since", "note"])


class RequeenForm(forms.Form):
    since = DayField(label=_("Since"))
    earlier = forms.ChoiceField(
        label=_("The earlier queen"),
        choices=[("gone", _("Is gone (dead, culled or lost)")), ("alive", _("Lives on elsewhere"))],
        widget=forms.RadioSelect,
        initial="gone",
    )
    reason = forms.CharField(label=_("What happened to her"), max_length=120, required=False)

    def __init__(self, *args: Any, viewer: Viewer, has_queen: bool, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["queen"] = QueenField(label=_("New queen"), cooperative=viewer.cooperative)
        if not has_queen:
            del self.fields["earlier"], self.fields["reason"]
        self.order_fields(["queen", "since", "earlier", "reason"])

    def earlier_gone(self) -> str | None:
        if self.cleaned_data.get("earlier") != "gone":
            return None
        return str(self.cleaned_data["reason"])


class EndForm(forms.Form):
    ended_on = DayField(label=_("On"))
    reason = forms.CharField(
        label=_("What happened"), max_length=120, required=False, help_text=_("For example: winter loss, united, sold.")
    )
