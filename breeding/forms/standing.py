"""What the standing is narrowed to, where a list to choose from may be long."""

from typing import Any

from django import forms
from django.utils.translation import gettext_lazy as _

from accounts.access import Viewer
from accounts.forms.named import NamedField
from accounts.models import Apiary
from breeding.forms.fields import APIARIES_SEEN
from breeding.queries.stock import apiaries_seen_by


class ApiaryField(NamedField):
    def __init__(self, viewer: Viewer) -> None:
        super().__init__(
            apiaries_seen_by(viewer),
            named=APIARIES_SEEN,
            label=_("Apiary"),
            required=False,
            empty_label=_("All apiaries"),
        )

    def label_from_instance(self, obj: Any) -> str:
        return APIARIES_SEEN.words(obj)


class ApiaryFilterForm(forms.Form):
    """An apiary by its key, as addresses that were kept have it, or by its name where there are many."""

    def __init__(self, given: str, *, viewer: Viewer) -> None:
        field = ApiaryField(viewer)
        super().__init__({"apiary": f"#{given}" if field.is_long and given.isdecimal() else given}, auto_id="%s")
        self.fields["apiary"] = field

    @property
    def apiary(self) -> Apiary | None:
        """None also where what was written fits none, or several: then the field says so."""
        return self.cleaned_data.get("apiary") if self.is_valid() else None
