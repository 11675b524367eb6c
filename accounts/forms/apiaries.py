"""Apiaries."""

from typing import Any

from django import forms
from django.utils.translation import gettext_lazy as _

from accounts.access import Viewer
from accounts.forms.fields import DayField, ZoneField
from accounts.forms.named import MEMBERS, NamedField
from accounts.queries.people import members_acted_for_by


class ApiaryForm(forms.Form):
    name = forms.CharField(label=_("Name"), max_length=80)
    place = forms.CharField(
        label=_("How to find it"),
        max_length=120,
        required=False,
        help_text=_("Shown to you and the coordinator only."),
    )
    registration_number = forms.CharField(
        label=_("Registration number"),
        max_length=60,
        required=False,
        help_text=_("As given by your veterinary authority, if it gives one."),
    )
    time_zone = ZoneField(empty=_("As the cooperative"))


class ApiaryAddForm(ApiaryForm):
    """With the member it belongs to, for those who act for several."""

    def __init__(self, *args: Any, viewer: Viewer, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        members = members_acted_for_by(viewer)
        own = members.filter(pk__in=viewer.member_ids).values_list("pk", flat=True)
        if len(members[:2]) > 1:
            self.fields["member"] = NamedField(
                members, named=MEMBERS, label=_("Member"), empty_label=None, initial=own.first()
            )
            self.order_fields(["member", "name", "place", "registration_number", "time_zone"])
        self.only_member = None if "member" in self.fields else members.first()


class CloseForm(forms.Form):
    closed_on = DayField(label=_("Closed on"))
