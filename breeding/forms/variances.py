"""Weights of the traits in the merit; what an estimate of variances is asked with."""

from collections.abc import Sequence
from decimal import Decimal
from typing import Any

from django import forms
from django.utils.translation import gettext_lazy as _

from accounts.fields import CommaDecimalField
from breeding.models import Trait
from breeding.services.traits import weights_text


class EstimateForm(forms.Form):
    together = forms.BooleanField(
        label=_("Also the correlations between traits"),
        help_text=_("They need far more data and time. Each trait is estimated alone first."),
        required=False,
    )


class WeightsForm(forms.Form):
    """For each trait its weight and whether it takes part; `seen` holds the weights that the person started from."""

    seen = forms.CharField(widget=forms.HiddenInput(), required=False)

    def __init__(self, *args: Any, traits: Sequence[Trait], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.traits = traits
        self.fields["seen"].initial = weights_text(traits)
        for trait in traits:
            self.fields[trait.key] = CommaDecimalField(
                label=str(trait),
                min_value=Decimal(0),
                max_value=Decimal(1),
                max_digits=3,
                decimal_places=2,
                initial=trait.merit_weight,
            )
            self.fields[f"{trait.key}-part"] = forms.BooleanField(
                label=_("%(trait)s takes part") % {"trait": trait}, required=False, initial=trait.in_evaluation
            )

    def rows(self) -> list[tuple[Trait, forms.BoundField, forms.BoundField]]:
        return [(trait, self[trait.key], self[f"{trait.key}-part"]) for trait in self.traits]

    def weights(self) -> dict[str, Decimal]:
        return {trait.key: self.cleaned_data[trait.key] for trait in self.traits}

    def takes_part(self) -> dict[str, bool]:
        return {trait.key: self.cleaned_data[f"{trait.key}-part"] for trait in self.traits}
