"""Queens and their matings."""

import datetime as dt
from typing import Any

from django import forms
from django.utils.translation import gettext_lazy as _

from accounts.access import Viewer
from accounts.fields import VolumeField
from accounts.forms.named import MEMBERS, NamedField
from accounts.models import Member
from breeding.forms.fields import COLONIES_WITHOUT_QUEEN, SEMEN_BATCHES, DayField, QueenField
from breeding.models import Colony, Mating, MatingKind, Queen
from breeding.queries.stock import lines_of, own_colonies, own_colonies_without_queen, semen_batches_of
from breeding.services.matings import Share

SOURCE_ROWS = 6


def members_for(viewer: Viewer) -> Any:
    members = Member.objects.filter(cooperative=viewer.cooperative, left_on__isnull=True)
    return members if viewer.is_coordinator else members.filter(pk__in=viewer.member_ids)


class QueenForm(forms.Form):
    """What is known of a queen herself."""

    label = forms.CharField(
        label=_("Label"), max_length=40, help_text=_("Your own name for her; it names her on every list.")
    )
    mark_number = forms.CharField(label=_("Number of her disc"), max_length=8, required=False)
    emerged_on = DayField(
        label=_("Emerged on"), required=False, help_text=_("If you know the day; else the year will do.")
    )
    birth_year = forms.IntegerField(
        label=_("Year"), required=False, help_text=_("Of her emergence. It decides her marking colour.")
    )
    origin = forms.CharField(
        label=_("Origin"),
        max_length=60,
        required=False,
        help_text=_("Where she came from, when her mother is not known."),
    )
    note = forms.CharField(label=_("Note"), required=False, widget=forms.Textarea(attrs={"rows": 3}))

    def __init__(self, *args: Any, viewer: Viewer, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["mother"] = QueenField(
            label=_("Mother"),
            required=False,
            cooperative=viewer.cooperative,
            help_text=_("The queen of the colony she was raised from. Leave it empty if not known."),
        )
        self.fields["line"] = forms.ModelChoiceField(
            lines_of(viewer.cooperative),
            label=_("Line"),
            required=False,
            empty_label=_("As her mother"),
        )
        self.order_fields(
            ["owner", "label", "mother", "emerged_on", "birth_year", "line", "mark_number", "origin", "note"]
        )


class QueenAddForm(QueenForm):
    """A new queen; she may be put at the head of one of the own colonies at once."""

    def __init__(self, *args: Any, viewer: Viewer, **kwargs: Any) -> None:
        super().__init__(*args, viewer=viewer, **kwargs)
        members = members_for(viewer)
        self.fields["owner"] = NamedField(members, named=MEMBERS, label=_("Belongs to"), empty_label=None)
        self.fields["colony"] = NamedField(
            own_colonies_without_queen(viewer),
            named=COLONIES_WITHOUT_QUEEN,
            among=own_colonies(viewer),
            label=_("Colony she heads"),
            required=False,
            empty_label=_("None yet"),
            help_text=_("Your colonies that have no queen recorded."),
        )
        self.fields["since"] = DayField(label=_("Since"), required=False, help_text=_("Empty: since today."))
        self.order_fields(["owner", "label", "mother", "emerged_on", "birth_year", "line", "colony", "since"])

    def facts(self) -> dict[str, Any]:
        """Arguments of `queen_register`."""
        names = ["label", "mother", "emerged_on", "birth_year", "line", "mark_number", "origin", "note"]
        return {name: self.cleaned_data[name] for name in names}


class GoneForm(forms.Form):
    gone_on = DayField(label=_("Since"))
    reason = forms.CharField(
        label=_("What happened"),
        max_length=120,
        required=False,
        help_text=_("For example: not found, superseded, died."),
    )


class MatingForm(forms.Form):
    """How she was mated. The kind decides which of the other fields count; the service says what is missing."""

    kind = forms.ChoiceField(label=_("How she was mated"), choices=[("", _("Not recorded yet")), *MatingKind.choices])
    mated_on = DayField(label=_("On"), required=False)
    total_tenths = VolumeField(
        label=_("Volume in all, µl"), required=False, help_text=_("For example 8 or 8,5. Leave it empty if not known.")
    )
    drones = forms.IntegerField(
        label=_("Drones in all"), min_value=1, required=False, help_text=_("Station or open mating, if known.")
    )
    station_queens = forms.IntegerField(
        label=_("Drone-producing queens there"),
        min_value=1,
        required=False,
        help_text=_("Sisters at the station, if known."),
    )
    place = forms.CharField(
        label=_("Where"), max_length=80, required=False, help_text=_("Name of the station or place.")
    )

    def __init__(
        self, *args: Any, viewer: Viewer, optional: bool = False, mating: Mating | None = None, **kwargs: Any
    ) -> None:
        kept = _initial_of(mating) if mating is not None else {}
        kwargs["initial"] = {**kept, **(kwargs.get("initial") or {})}
        super().__init__(*args, **kwargs)
        cooperative = viewer.cooperative
        self.fields["kind"].required = not optional
        self.fields["shared_batch"] = NamedField(
            semen_batches_of(cooperative),
            named=SEMEN_BATCHES,
            label=_("Shared semen batch"),
            required=False,
            empty_label=_("None"),
        )
        self.fields["station_mother"] = QueenField(
            label=_("Mother of the drone-producing queens"), required=False, cooperative=cooperative
        )
        self.row_numbers = range(1, max(SOURCE_ROWS, len(kept.get("sources", ())) + 2) + 1)
        for number in self.row_numbers:
            self.fields[f"source_{number}"] = QueenField(
                label=_("Source %(number)s") % {"number": number}, required=False, cooperative=cooperative
            )
            self.fields[f"volume_{number}"] = VolumeField(label=_("µl"), required=False)
            self.fields[f"drones_{number}"] = forms.IntegerField(label=_("Drones"), min_value=1, required=False)
        for number, (label, tenths, drones) in enumerate(kept.get("sources", ()), start=1):
            self.initial.update({f"source_{number}": label, f"volume_{number}": tenths, f"drones_{number}": drones})

    @property
    def source_rows(self) -> list[dict[str, Any]]:
        return [
            {"source": self[f"source_{n}"], "volume": self[f"volume_{n}"], "drones": self[f"drones_{n}"]}
            for n in self.row_numbers
        ]

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or {}
        for number in self.row_numbers:
            amounts = [cleaned.get(f"volume_{number}"), cleaned.get(f"drones_{number}")]
            nobody = cleaned.get(f"source_{number}") is None and f"source_{number}" not in self.errors
            if nobody and any(amount is not None for amount in amounts):
                self.add_error(f"source_{number}", _("Say whose semen this is, or empty the row."))
        return cleaned

    def _says_something(self, *names: str) -> bool:
        return any(self[name].value() or name in self.errors for name in names)

    @property
    def has_batch(self) -> bool:
        """Whether the fields of a shared batch are to be shown open."""
        return self._says_something("shared_batch")

    @property
    def has_place(self) -> bool:
        return self._says_something("place", "station_mother", "station_queens", "drones")

    @property
    def is_given(self) -> bool:
        return bool(self.cleaned_data.get("kind"))

    def facts(self) -> dict[str, Any]:
        """Arguments of `mating_record` and `mating_correct`."""
        names = [
            "kind",
            "mated_on",
            "total_tenths",
            "drones",
            "shared_batch",
            "station_mother",
            "station_queens",
            "place",
        ]
        shares = [
            Share(self.cleaned_data[f"source_{n}"], self.cleaned_data[f"volume_{n}"], self.cleaned_data[f"drones_{n}"])
            for n in self.row_numbers
            if self.cleaned_data.get(f"source_{n}") is not None
        ]
        return {**{name: self.cleaned_data[name] for name in names}, "shares": shares}


def _initial_of(mating: Mating) -> dict[str, Any]:
    return {
        "kind": mating.kind,
        "mated_on": mating.mated_on,
        "total_tenths": mating.total_tenths,
        "drones": mating.drones,
        "shared_batch": mating.shared_batch_id,
        "station_mother": mating.station_mother.label if mating.station_mother else "",
        "station_queens": mating.station_queens,
        "place": mating.place,
        "sources": [
            (share.drone_queen.label, share.volume_tenths, share.drones)
            for share in mating.shares.select_related("drone_queen")
        ],
    }


def queen_initial(queen: Queen) -> dict[str, Any]:
    """What the correction form starts with."""
    return {
        "label": queen.label,
        "mother": queen.mother.label if queen.mother else "",
        "line": queen.line_id,
        "emerged_on": queen.emerged_on,
        "birth_year": None if queen.emerged_on else queen.birth_year,
        "mark_number": queen.mark_number,
        "origin": queen.origin,
        "note": queen.note,
    }


def colony_initial(colony: Colony | None, today: dt.date) -> dict[str, Any]:
    return {"colony": colony.pk, "since": today} if colony is not None else {}
