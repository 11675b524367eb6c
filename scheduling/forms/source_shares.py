from collections.abc import Sequence
from decimal import Decimal
from typing import Any

from django import forms
from django.forms.boundfield import BoundField
from django.utils.translation import gettext as _

from accounts.fields import CommaDecimalField
from scheduling.models import DroneSource
from scheduling.services.source_shares import WantedShare


class SourceSharesForm(forms.Form):
    """Cap and target of each source, in per cent of all semen; an empty field says nothing."""

    def __init__(self, sources: Sequence[DroneSource], *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.sources = list(sources)
        for source in self.sources:
            for kind, label, least, kept in (
                ("cap", _("%(source)s gives at most, %%"), Decimal("0.1"), source.share_cap_permille),
                ("target", _("%(source)s shall give, %%"), Decimal(0), source.share_target_permille),
            ):
                self.fields[f"{kind}_{source.pk}"] = CommaDecimalField(
                    label=label % {"source": source},
                    required=False,
                    min_value=least,
                    max_value=100,
                    decimal_places=1,
                    max_digits=4,
                    initial=None if kept is None else f"{kept / 10:g}",
                )

    def wanted(self) -> dict[int, WantedShare]:
        data = self.cleaned_data
        return {
            source.pk: WantedShare(_permille(data[f"cap_{source.pk}"]), _permille(data[f"target_{source.pk}"]))
            for source in self.sources
        }

    def bound(self, kind: str, source: DroneSource) -> BoundField:
        return self[f"{kind}_{source.pk}"]


def _permille(percent: Decimal | None) -> int | None:
    return None if percent is None else int(percent * 10)
