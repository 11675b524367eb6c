"""The score sheet: every trait of one visit, or one trait a screen. Scales and anchors come from `breeding.scoring`."""

import uuid
from collections.abc import Sequence
from decimal import Decimal
from typing import Any

from django import forms
from django.db.models import QuerySet
from django.forms import BoundField
from django.utils.formats import number_format
from django.utils.text import capfirst
from django.utils.translation import gettext
from django.utils.translation import gettext_lazy as _

from accounts.fields import CommaDecimalField
from breeding import scoring
from breeding.forms.fields import DayField
from breeding.models import Colony, Score, Trait
from breeding.services.scores import Observation

SCALE_STEPS_AT_MOST = 13
PIN_TEST_CELLS = 50
METHODS = {"pin": _("Pin test"), "frozen": _("Freeze-killed brood")}


def points_text(points: Decimal) -> str:
    return number_format(points.normalize(), decimal_pos=None if points != points.to_integral_value() else 0)


def has_scale(published: scoring.Trait) -> bool:
    """Few enough points for one big button each."""
    return not published.is_counted and (published.high - published.low) / published.step < SCALE_STEPS_AT_MOST


def scale_points(published: scoring.Trait) -> list[Decimal]:
    """Best first."""
    steps = int((published.high - published.low) / published.step)
    points = [published.low + step * published.step for step in range(steps + 1)]
    return sorted(points, reverse=published.high_is_good)


class TraitFields:
    """The fields of one trait in a form: a scale of buttons, a number, or two counts."""

    def __init__(self, form: forms.Form, trait: Trait) -> None:
        self.form, self.trait = form, trait
        self.published = scoring.TRAITS[trait.key]
        self.has_scale = has_scale(self.published)

    def add(self) -> None:
        fields, key, published = self.form.fields, self.trait.key, self.published
        if published.is_counted:
            whole = PIN_TEST_CELLS if key == "pin_test" else None
            fields[f"{key}-part"] = forms.IntegerField(
                label=capfirst(gettext(published.part)), min_value=0, required=False
            )
            fields[f"{key}-whole"] = forms.IntegerField(
                label=capfirst(gettext(published.whole)), min_value=1, required=False, initial=whole
            )
            if published.methods:
                fields[f"{key}-method"] = forms.ChoiceField(
                    label=_("Method"),
                    choices=[(method, METHODS.get(method, method)) for method in published.methods],
                    initial=published.methods[0],
                    required=False,
                )
                fields[f"{key}-hours"] = CommaDecimalField(
                    label=_("Hours until read"), max_digits=4, decimal_places=1, required=False
                )
        elif self.has_scale:
            fields[f"{key}-value"] = forms.TypedChoiceField(
                label=str(self.trait),
                choices=[(str(point.normalize()), points_text(point)) for point in scale_points(published)],
                coerce=Decimal,
                empty_value=None,
                required=False,
                widget=forms.RadioSelect,
            )
        else:
            fields[f"{key}-value"] = CommaDecimalField(
                label=str(self.trait),
                max_digits=9,
                decimal_places=3,
                required=False,
                help_text=_("In %(unit)s.") % {"unit": self.trait.shown_unit},
            )
        fields[f"{key}-entry"] = forms.UUIDField(widget=forms.HiddenInput, initial=uuid.uuid4, required=False)

    @property
    def low(self) -> str:
        """The range as a script reads it."""
        return f"{self.published.low:f}"

    @property
    def high(self) -> str:
        return f"{self.published.high:f}"

    @property
    def inputs(self) -> list[BoundField]:
        names = [f"{self.trait.key}-{part}" for part in ("value", "part", "whole", "method", "hours")]
        return [self.form[name] for name in names if name in self.form.fields]

    @property
    def counts(self) -> list[BoundField]:
        """Whole numbers, with a button for one more and one less."""
        return [field for field in self.inputs if isinstance(field.field, forms.IntegerField)]

    @property
    def entry(self) -> BoundField:
        return self.form[f"{self.trait.key}-entry"]

    @property
    def value(self) -> BoundField:
        return self.form[f"{self.trait.key}-value"]

    @property
    def options(self) -> list[dict[str, Any]]:
        """One button a point, with its anchor where the scale has one."""
        anchors = {anchor.points: anchor for anchor in self.published.anchors}
        return [
            {"option": option, "title": title, "anchor": anchors.get(point)}
            for option, point, title in zip(
                self.value,
                scale_points(self.published),
                [points_text(point) for point in scale_points(self.published)],
                strict=True,
            )
        ]

    def observation(self) -> Observation | None:
        """What was entered for this trait; None when nothing was."""
        data, key = self.form.cleaned_data, self.trait.key
        value, part = data.get(f"{key}-value"), data.get(f"{key}-part")
        if value is None and part is None:
            return None
        return Observation(
            trait=self.trait,
            value=value,
            part=part,
            whole=data.get(f"{key}-whole") if self.published.is_counted else None,
            method=data.get(f"{key}-method") or "",
            hours=data.get(f"{key}-hours"),
            entry=data.get(f"{key}-entry"),
        )


class ScoreSheetForm(forms.Form):
    scored_on = DayField(label=_("Day of the visit"))

    def __init__(self, *args: Any, traits: Sequence[Trait], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.traits = [TraitFields(self, trait) for trait in traits]
        for trait in self.traits:
            trait.add()

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or {}
        if not self.errors and not self.observations():
            self.add_error(None, _("Nothing is entered yet. Score at least one trait."))
        return cleaned

    def observations(self) -> list[Observation]:
        return [seen for trait in self.traits if (seen := trait.observation()) is not None]


class RoundForm(ScoreSheetForm):
    """The sheet of a round: one colony after the other.

    colonies : all that may be scored here; `shown` : those that can be chosen on this page.
    """

    def __init__(self, *args: Any, colonies: QuerySet[Colony], shown: Sequence[Colony], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        field = forms.ModelChoiceField(colonies, label=_("Colony"), empty_label=None)
        field.choices = [(colony.pk, str(colony)) for colony in shown]
        self.fields["colony"] = field
        self.order_fields(["colony", "scored_on"])


class CorrectScoreForm(forms.Form):
    """The new value of one score and why."""

    def __init__(self, *args: Any, score: Score, **kwargs: Any) -> None:
        key = score.trait.key
        kwargs["initial"] = {
            f"{key}-value": str(score.value.normalize()) if has_scale(scoring.TRAITS[key]) else score.value.normalize(),
            f"{key}-part": score.part,
            f"{key}-whole": score.whole,
            f"{key}-method": score.method,
            f"{key}-hours": score.hours,
        }
        super().__init__(*args, **kwargs)
        self.trait = TraitFields(self, score.trait)
        self.trait.add()
        self.fields["note"] = forms.CharField(label=_("Why"), max_length=200, required=False)

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or {}
        if not self.errors and self.trait.observation() is None:
            self.add_error(None, _("Enter the right value, or withdraw the score."))
        return cleaned
