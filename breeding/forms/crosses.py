"""Mothers and drone sources to compare, in the address so that a question can be shared."""

import re
from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from django.db.models import Value
from django.db.models.functions import Lower
from django.utils.translation import gettext_lazy as _
from django.utils.translation import ngettext

from accounts.access import Viewer
from accounts.fields import CommaDecimalField
from accounts.models import Cooperative
from breeding.forms.fields import QueenField
from breeding.models import Queen
from breeding.queries.crosses import CLOSED_STOCK_ALLELES, OPEN_STOCK_ALLELES, CrossOptions
from breeding.queries.stock import queens_labelled

MOTHERS_AT_MOST, SOURCES_AT_MOST = 60, 30
ROWS = 6
MOST_DRONES = 200

CRITERIA = (
    ("merit", _("Merit of the daughters")),
    ("inbreeding", _("Inbreeding of the workers")),
    ("viability", _("Brood viability")),
)
ALLELES = (
    (str(OPEN_STOCK_ALLELES), _("Open stock: about 20 alleles")),
    (str(CLOSED_STOCK_ALLELES), _("Small closed stock: about 10 alleles")),
)


class QueensField(forms.CharField):
    """Several queens by their labels, one a line or parted by commas; what was typed is kept when one is unknown."""

    def __init__(self, *, cooperative: Cooperative, at_most: int, **kwargs: Any) -> None:
        self.cooperative = cooperative
        self.at_most = at_most
        kwargs.setdefault("widget", forms.Textarea(attrs={"rows": 2, "autocapitalize": "off"}))
        super().__init__(max_length=(at_most + 1) * 42, **kwargs)

    def clean(self, value: Any) -> Any:
        text = super().clean(value) or ""
        labels = list(dict.fromkeys(label.strip() for label in re.split(r"[\n,;]", text) if label.strip()))
        if len(labels) > self.at_most:
            raise ValidationError(
                _("These are %(number)s queens. Name at most %(most)s."),
                params={"number": len(labels), "most": self.at_most},
            )
        found = {
            queen.label.lower(): queen
            for queen in Queen.objects.filter(cooperative=self.cooperative)
            .annotate(lower=Lower("label"))
            .filter(lower__in=[Lower(Value(label)) for label in labels])
            .select_related("line", "cooperative", "owner")
        }
        unknown = [label for label in labels if label.lower() not in found]
        if unknown:
            raise ValidationError(
                ngettext(
                    "There is no queen %(labels)s. Check the label, or register her first.",
                    "There are no queens %(labels)s. Check the labels, or register them first.",
                    len(unknown),
                ),
                params={"labels": ", ".join(unknown)},
            )
        return [found[label.lower()] for label in labels]


class OptionsForm(forms.Form):
    """What both pages ask: how many drones for each queen, how many sex alleles the stock holds."""

    drones = forms.IntegerField(
        label=_("Drones for each queen"),
        required=False,
        min_value=1,
        max_value=MOST_DRONES,
        help_text=_("Empty: 8, about one for each µl of a usual dose."),
    )
    alleles = forms.ChoiceField(label=_("Sex alleles in the stock"), choices=ALLELES, required=False)

    def options(self) -> CrossOptions:
        return CrossOptions(
            drones=self.cleaned_data.get("drones"),
            alleles=int(self.cleaned_data.get("alleles") or OPEN_STOCK_ALLELES),
            genotypes={queen.pk: pair for queen, pair in self.cleaned_data.get("genotypes", {}).items()},
        )


class GridForm(OptionsForm):
    """Mothers × sources; none named means the best living ones."""

    field_order = ["mothers", "sources", "by", "drones", "alleles"]

    def __init__(self, *args: Any, viewer: Viewer, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["mothers"] = QueensField(
            label=_("Mothers"),
            required=False,
            cooperative=viewer.cooperative,
            at_most=MOTHERS_AT_MOST,
            help_text=_("Labels, parted by commas. Empty: the living queens whose daughters promise most."),
        )
        self.fields["sources"] = QueensField(
            label=_("Drone sources"),
            required=False,
            cooperative=viewer.cooperative,
            at_most=SOURCES_AT_MOST,
            help_text=_("Drone-producing queens. Empty: the living queens of highest merit."),
        )
        self.fields["by"] = forms.ChoiceField(label=_("Compare by"), choices=CRITERIA, required=False)
        self.order_fields(self.field_order)


class CrossForm(OptionsForm):
    """One mother with one source or a mixture. `share_n` are parts in any unit; left empty they are equal."""

    def __init__(self, *args: Any, viewer: Viewer, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.cooperative = viewer.cooperative
        self.fields["mother"] = QueenField(
            label=_("Mother"),
            cooperative=viewer.cooperative,
            help_text=_("A virgin is inseminated herself; of a mated queen, daughters are raised and inseminated."),
        )
        for number in range(1, ROWS + 1):
            self.fields[f"source_{number}"] = QueenField(
                label=_("Drone source %(number)s") % {"number": number},
                required=number == 1,
                cooperative=viewer.cooperative,
            )
            self.fields[f"share_{number}"] = CommaDecimalField(
                label=_("Part of the mixture %(number)s") % {"number": number},
                required=False,
                min_value=0,
                max_value=1000,
                decimal_places=3,
            )
        self.fields["genotypes"] = forms.CharField(
            label=_("Known sex alleles"),
            required=False,
            max_length=600,
            widget=forms.Textarea(attrs={"rows": 2}),
            help_text=_("One queen a line, where a laboratory typed her: Rowan 1: 3 7"),
        )

    def clean_genotypes(self) -> dict[Queen, tuple[str, str]]:
        found: dict[Queen, tuple[str, str]] = {}
        for line in self.cleaned_data["genotypes"].splitlines():
            if not line.strip():
                continue
            label, _colon, alleles = line.rpartition(":")
            pair = alleles.replace(",", " ").split()
            queen = queens_labelled(self.cooperative.pk, label.strip()).first()
            if queen is None:
                raise ValidationError(_("There is no queen “%(label)s”."), params={"label": label.strip() or line})
            if len(pair) != 2 or pair[0] == pair[1] or max(len(allele) for allele in pair) > 20:
                raise ValidationError(
                    _("%(label)s needs two different alleles, for example “%(label)s: 3 7”."), params={"label": label}
                )
            found[queen] = (pair[0], pair[1])
        return found

    def shares(self) -> dict[Queen, float]:
        """Each source once with its part; equal parts unless some are given."""
        chosen: dict[Queen, float] = {}
        rows = [
            (self.cleaned_data[f"source_{n}"], self.cleaned_data.get(f"share_{n}"))
            for n in range(1, ROWS + 1)
            if self.cleaned_data.get(f"source_{n}") is not None
        ]
        given = any(share for _queen, share in rows)
        for queen, share in rows:
            chosen[queen] = chosen.get(queen, 0.0) + (float(share or 0) if given else 1.0)
        return {queen: share for queen, share in chosen.items() if share > 0}

    @property
    def source_rows(self) -> list[tuple[Any, Any]]:
        return [(self[f"source_{number}"], self[f"share_{number}"]) for number in range(1, ROWS + 1)]


class SaveForm(forms.Form):
    """The season a cross is planned for."""

    season_year = forms.IntegerField(label=_("Season"), min_value=1950, max_value=2200)
    note = forms.CharField(label=_("Note"), required=False, max_length=200)
