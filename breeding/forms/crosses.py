"""A mother and the drone sources to compare, in the address so that a cross can be shared."""

from typing import Any

from django import forms
from django.utils.translation import gettext_lazy as _

from accounts.access import Viewer
from breeding.forms.fields import QueenField
from breeding.models import Queen

SOURCES_AT_MOST = 10
ROWS = 6


class CrossForm(forms.Form):
    def __init__(self, *args: Any, viewer: Viewer, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["mother"] = QueenField(
            label=_("Mother"),
            cooperative=viewer.cooperative,
            help_text=_("A virgin is inseminated herself; of a mated queen, daughters are raised and inseminated."),
        )
        for number in range(1, ROWS + 1):
            self.fields[f"source_{number}"] = QueenField(
                label=_("Drone source %(number)s") % {"number": number},
                required=False,
                cooperative=viewer.cooperative,
            )

    def sources(self) -> list[Queen]:
        """The chosen drone-producing queens, each once, in the order given."""
        chosen = [self.cleaned_data.get(f"source_{number}") for number in range(1, ROWS + 1)]
        return list({queen.pk: queen for queen in chosen if queen is not None}.values())

    @property
    def source_fields(self) -> list[Any]:
        return [self[f"source_{number}"] for number in range(1, ROWS + 1)]
