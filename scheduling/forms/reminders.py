import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass

from django import forms
from django.http import QueryDict
from django.utils.translation import gettext_lazy as _

from accounts.models import Channel, NotificationWish, Person
from scheduling.planning.timing import elapsed_after
from scheduling.reminder_kinds import KINDS, SUMMARY, Kind

WISHED = [key for key in KINDS if key != SUMMARY]  # a summary is asked for by its hour
CHOICES = [("1", _("In 1 hour")), ("3", _("In 3 hours")), ("24", _("In 24 hours"))]


class PutOffForm(forms.Form):
    """For how long a reminder is put off; the service refuses what would be too late."""

    hours = forms.ChoiceField(label=_("Tell me again"), choices=CHOICES, initial="3", widget=forms.RadioSelect)

    def until(self, *, now: dt.datetime) -> dt.datetime:
        return elapsed_after(now, int(self.cleaned_data["hours"]))


def kinds_for(person: Person) -> list[str]:
    """What the person can be told by now; wishes about anything else stay as they are."""
    roles = set(person.role_grants.values_list("role", flat=True))
    is_member = person.members.filter(left_on__isnull=True).exists()
    return [key for key in WISHED if KINDS[key].is_for(roles, is_member=is_member)]


@dataclass(frozen=True)
class WishRow:
    """One kind with its boxes, in the order of the person's ways."""

    kind: Kind
    boxes: list[tuple[str, str, bool]]  # value, label, ticked


class WishesForm(forms.Form):
    """By which ways each kind leaves the app for a person, and whether routine ones come together in the morning.

    ways : the channels by which the person can be reached at all.
    """

    wishes = forms.MultipleChoiceField(required=False)
    summary_at = forms.TimeField(
        label=_("One e-mail a day instead of single routine ones, at"),
        required=False,
        widget=forms.TimeInput(attrs={"type": "time"}),
        help_text=_("What is due that day and the next, and what is late. Critical ones still come singly."),
    )

    def __init__(self, data: QueryDict | None, *, person: Person, ways: Sequence[str]) -> None:
        unwanted = set(NotificationWish.objects.filter(person=person, wanted=False).values_list("kind", "channel"))
        super().__init__(data, initial={"summary_at": person.summary_at})
        self.ways = list(ways)
        self.kinds = kinds_for(person)
        self.pairs = [(kind, way) for kind in self.kinds for way in self.ways]
        self.fields["wishes"].choices = [(f"{kind}/{way}", "") for kind, way in self.pairs]  # type: ignore[attr-defined]
        self.initial["wishes"] = [f"{kind}/{way}" for kind, way in self.pairs if (kind, way) not in unwanted]

    @property
    def rows(self) -> list[WishRow]:
        ticked = set(self["wishes"].value() or [])
        return [
            WishRow(
                KINDS[kind],
                [(f"{kind}/{way}", str(Channel(way).label), f"{kind}/{way}" in ticked) for way in self.ways],
            )
            for kind in self.kinds
        ]

    @property
    def way_labels(self) -> list[str]:
        return [str(Channel(way).label) for way in self.ways]

    @property
    def wanted(self) -> dict[tuple[str, str], bool]:
        chosen = set(self.cleaned_data["wishes"])
        return {(kind, way): f"{kind}/{way}" in chosen for kind, way in self.pairs}

    def clean_wishes(self) -> list[str]:
        chosen: list[str] = self.cleaned_data["wishes"]
        left = {value.partition("/")[0] for value in chosen}
        bare = [KINDS[kind].label for kind in self.kinds if KINDS[kind].critical and kind not in left]
        if bare and self.ways:
            raise forms.ValidationError(
                _("Keep one way for what costs a year when it is missed: %(kinds)s.")
                % {"kinds": ", ".join(str(label) for label in bare)}
            )
        return chosen
