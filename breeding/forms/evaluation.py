"""What an evaluation is made of, for those who want to choose."""

from collections.abc import Sequence
from typing import Any

from django import forms
from django.utils.translation import gettext_lazy as _

from breeding.forms.fields import DayField
from breeding.models import Trait
from breeding.services.evaluation.asking import STARTER, USUAL, Choices


class EvaluationForm(forms.Form):
    """Left as it is, it asks for the usual evaluation: every trait, every score up to today."""

    trait_keys = forms.MultipleChoiceField(
        label=_("Traits"),
        widget=forms.CheckboxSelectMultiple,
        error_messages={"required": _("Choose at least one trait.")},
        help_text=_("All are worked out together; a trait left out lends nothing to the others."),
    )
    first_day = DayField(label=_("Scores from"), required=False, help_text=_("Empty: from the first one on."))
    last_day = DayField(label=_("Scores until"), required=False, help_text=_("Empty: until today."))
    parameters = forms.ChoiceField(
        label=_("Variances"),
        choices=[
            (USUAL, _("The usual ones: own estimates where they were adopted, else the starting values")),
            (STARTER, _("The starting values of every trait")),
        ],
        widget=forms.RadioSelect,
        initial=USUAL,
    )
    is_trial = forms.BooleanField(
        label=_("Only a trial"),
        required=False,
        help_text=_("Kept and readable; everybody else goes on seeing the latest that is none."),
    )

    def __init__(self, *args: Any, traits: Sequence[Trait], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.traits = traits
        field = self.fields["trait_keys"]
        assert isinstance(field, forms.MultipleChoiceField)
        field.choices = [(trait.key, str(trait)) for trait in traits]
        field.initial = [trait.key for trait in traits]

    def chosen(self) -> Choices:
        keys = tuple(self.cleaned_data["trait_keys"])
        every = len(keys) == len(self.traits)
        return Choices(**{**self.cleaned_data, "trait_keys": () if every else keys})
