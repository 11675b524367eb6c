"""What can be corrected at a closed session. Each form carries its own service."""

import datetime as dt
from collections.abc import Callable
from typing import Any
from zoneinfo import ZoneInfo

from django import forms
from django.db.models import Q, QuerySet
from django.utils.translation import gettext_lazy as _

from accounts.fields import VolumeField
from accounts.models import Person
from scheduling.forms.bench import DronesOfSources
from scheduling.models import (
    BatchQueen,
    BenchPlace,
    BenchSession,
    Co2Treatment,
    DroneSource,
    LotMovement,
    LotPart,
    MovementKind,
    PlaceState,
    SemenLot,
    TallyOutcome,
    TipChange,
)
from scheduling.queries.bench import lots_that_count
from scheduling.services.bench_correct import dose_correct
from scheduling.services.bench_corrections import (
    co2_correct,
    fate_correct,
    lot_out_correct,
    pool_correct,
    tally_correct,
)
from scheduling.services.lot_corrections import lot_source_correct, mixture_correct, tip_correct


class _QueenChoice(forms.ModelChoiceField):  # type: ignore[type-arg]
    def label_from_instance(self, obj: Any) -> str:
        return str(obj.batch_queen)


class CorrectForm(forms.Form):
    """The session's places and lots to choose from, and why."""

    reason = forms.CharField(label=_("Why is this corrected?"), max_length=160)

    def __init__(self, *args: Any, session: BenchSession, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.session = session
        if "place" in self.fields:
            places = BenchPlace.objects.filter(session=session, batch_queen__isnull=False)
            self.fields["place"].queryset = (  # type: ignore[attr-defined]
                places.exclude(state=PlaceState.FREED)
                .select_related("session", "batch_queen__queen")
                .order_by("position")
            )
        if "lot" in self.fields:
            self.fields["lot"].queryset = lots_that_count(session).select_related("session")  # type: ignore[attr-defined]

    def correct(self, *, by: Person, now: dt.datetime) -> BenchSession:
        raise NotImplementedError


class CorrectDoseForm(CorrectForm):
    """What a queen really got."""

    place = _QueenChoice(label=_("Queen"), queryset=BenchPlace.objects.none())
    volume = VolumeField(label=_("Semen she got, µl"), min_value=0, max_value=100, help_text=_("0: nothing."))
    lot = forms.ModelChoiceField(label=_("From lot"), queryset=SemenLot.objects.none(), required=False)
    field_order = ["place", "volume", "lot", "reason"]

    def correct(self, *, by: Person, now: dt.datetime) -> BenchSession:
        data = self.cleaned_data
        return dose_correct(
            data["place"], lot=data["lot"], volume_tenths=data["volume"], reason=data["reason"], by=by, now=now
        )


class CorrectDronesForm(CorrectForm):
    """How many drones of a lot gave what."""

    lot = forms.ModelChoiceField(label=_("Lot"), queryset=SemenLot.objects.none())
    outcome = forms.ChoiceField(label=_("What the drones gave"), choices=TallyOutcome.choices)
    drones = forms.IntegerField(label=_("Drones in all"), min_value=0, max_value=2000)
    field_order = ["lot", "outcome", "drones", "reason"]

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        lots = self.fields["lot"]
        lots.queryset = lots.queryset.filter(semen_batch=None)  # type: ignore[attr-defined]

    def correct(self, *, by: Person, now: dt.datetime) -> BenchSession:
        return tally_correct(**self.cleaned_data, by=by, now=now)


class CorrectOneLotForm(CorrectForm):
    """What one lot was made of: the one named in the address, else the first; the form shows what is on record."""

    lot = forms.ModelChoiceField(queryset=SemenLot.objects.none(), widget=forms.HiddenInput)

    def take_one_of(self, lots: QuerySet[SemenLot]) -> SemenLot:
        self.choice = list(lots.order_by("opened_at", "pk"))
        named = [lot for lot in self.choice if str(lot.pk) == str(self.initial.get("lot"))]
        self.one = (named or self.choice)[0]
        self.fields["lot"].queryset = SemenLot.objects.filter(pk=self.one.pk)  # type: ignore[attr-defined]
        self.initial["lot"] = self.one.pk
        return self.one


class CorrectPoolForm(DronesOfSources, CorrectOneLotForm):
    """Of which sources a pool was, and how many drones of each."""

    def __init__(self, *args: Any, session: BenchSession, **kwargs: Any) -> None:
        super().__init__(*args, session=session, **kwargs)
        pool = self.take_one_of(pools_of(session))
        self.add_sources(DroneSource.objects.filter(season=session.season), last=["reason"])
        for part in pool.parts.filter(undone_at__isnull=True):
            self.fields[f"source{part.source_id}"].initial = part.drones

    def correct(self, *, by: Person, now: dt.datetime) -> BenchSession:
        data = self.cleaned_data
        return pool_correct(data["lot"], parts=self.parts(), reason=data["reason"], by=by, now=now)


class CorrectMixtureForm(CorrectOneLotForm):
    """How much of which lots a mixture was made of."""

    def __init__(self, *args: Any, session: BenchSession, **kwargs: Any) -> None:
        super().__init__(*args, session=session, **kwargs)
        mixture = self.take_one_of(mixtures_at(session))
        into = LotMovement.objects.filter(lot=mixture, kind=MovementKind.MIXED_IN, undone_at__isnull=True)
        from_store = SemenLot.objects.filter(pk__in=into.values("other_lot")).exclude(session=session)
        others = lots_that_count(session).exclude(pk=mixture.pk)
        self.lots = [*from_store, *others.order_by("opened_at", "pk")]
        parts = dict(into.values_list("other_lot", "volume_tenths"))
        for lot in self.lots:
            self.fields[f"lot{lot.pk}"] = VolumeField(
                label=_("Of %(lot)s, µl") % {"lot": lot},
                min_value=0,
                max_value=1000,
                required=False,
                initial=parts.get(lot.pk),
                help_text=_("0: none of it."),
            )
        self.order_fields(["lot", *(f"lot{lot.pk}" for lot in self.lots), "reason"])

    def correct(self, *, by: Person, now: dt.datetime) -> BenchSession:
        data = self.cleaned_data
        parts = {lot: volume for lot in self.lots if (volume := data.get(f"lot{lot.pk}"))}
        return mixture_correct(data["lot"], parts=parts, reason=data["reason"], by=by, now=now)


class CorrectSourceForm(CorrectForm):
    """Of which source a lot really was."""

    lot = forms.ModelChoiceField(
        label=_("Lot"), queryset=SemenLot.objects.none(), help_text=_("Its label stays as it stands on the syringe.")
    )
    source = forms.ModelChoiceField(label=_("Source it really was of"), queryset=DroneSource.objects.none())
    field_order = ["lot", "source", "reason"]

    def __init__(self, *args: Any, session: BenchSession, **kwargs: Any) -> None:
        super().__init__(*args, session=session, **kwargs)
        lots = self.fields["lot"]
        lots.queryset = lots.queryset.filter(source__isnull=False)  # type: ignore[attr-defined]
        self.fields["source"].queryset = DroneSource.objects.filter(season=session.season)  # type: ignore[attr-defined]

    def correct(self, *, by: Person, now: dt.datetime) -> BenchSession:
        return lot_source_correct(**self.cleaned_data, by=by, now=now)


class CorrectTipForm(CorrectForm):
    """Which tip a lot was collected with, or got later."""

    on_record = forms.ChoiceField(label=_("Tip on record"))
    tip = forms.CharField(label=_("Tip it really was"), max_length=40)
    field_order = ["on_record", "tip", "reason"]

    def __init__(self, *args: Any, session: BenchSession, **kwargs: Any) -> None:
        super().__init__(*args, session=session, **kwargs)
        first = lots_that_count(session).select_related("session").order_by("opened_at", "pk")
        later = TipChange.objects.filter(session=session).select_related("session", "lot__session")
        self.rows: dict[str, tuple[SemenLot, TipChange | None]] = {
            **{f"lot{lot.pk}": (lot, None) for lot in first},
            **{f"change{change.pk}": (change.lot, change) for change in later},
        }
        self.fields["on_record"].choices = [  # type: ignore[attr-defined]
            (key, f"{lot}: {lot.tip}" if change is None else str(change)) for key, (lot, change) in self.rows.items()
        ]

    def correct(self, *, by: Person, now: dt.datetime) -> BenchSession:
        data = self.cleaned_data
        lot, change = self.rows[data["on_record"]]
        return tip_correct(lot, change=change, tip=data["tip"], reason=data["reason"], by=by, now=now)


class CorrectSemenForm(CorrectForm):
    """How much of a lot was stored, discarded or lost."""

    lot = forms.ModelChoiceField(label=_("Lot"), queryset=SemenLot.objects.none())
    kind = forms.ChoiceField(
        label=_("What happened to it?"),
        choices=[("stored", _("Stored")), ("discarded", _("Discarded")), ("lost", _("Lost"))],
        widget=forms.RadioSelect,
    )
    volume = VolumeField(label=_("µl in all"), min_value=0, max_value=1000, help_text=_("0: none of it."))
    field_order = ["lot", "kind", "volume", "reason"]

    def correct(self, *, by: Person, now: dt.datetime) -> BenchSession:
        data = self.cleaned_data
        return lot_out_correct(
            data["lot"], kind=data["kind"], volume_tenths=data["volume"], reason=data["reason"], by=by, now=now
        )


class CorrectGasForm(CorrectForm):
    """When gas was really on and off; for one that was forgotten choose no earlier one."""

    place = _QueenChoice(label=_("Queen"), queryset=BenchPlace.objects.none())
    treatment = forms.ModelChoiceField(
        label=_("Treatment on record"),
        queryset=Co2Treatment.objects.none(),
        required=False,
        empty_label=_("none: one was forgotten"),
    )
    started_at = forms.TimeField(label=_("Gas on"), required=False, widget=forms.TimeInput(attrs={"type": "time"}))
    ended_at = forms.TimeField(
        label=_("Gas off"),
        required=False,
        widget=forms.TimeInput(attrs={"type": "time"}),
        help_text=_("Both empty: it was not given."),
    )
    with_insemination = forms.BooleanField(label=_("On the hook, with the insemination"), required=False)
    field_order = ["place", "treatment", "started_at", "ended_at", "with_insemination", "reason"]

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["treatment"].queryset = Co2Treatment.objects.filter(  # type: ignore[attr-defined]
            session=self.session, undone_at__isnull=True
        ).select_related("batch_queen__queen")

    def clean(self) -> dict[str, Any]:
        data = super().clean() or {}
        place, treatment = data.get("place"), data.get("treatment")
        if place and treatment and treatment.batch_queen_id != place.batch_queen_id:
            self.add_error("treatment", _("This treatment is of another queen."))
        return data

    def correct(self, *, by: Person, now: dt.datetime) -> BenchSession:
        data = self.cleaned_data
        return co2_correct(
            data["place"],
            treatment=data["treatment"],
            started_at=self._moment(data["started_at"]),
            ended_at=self._moment(data["ended_at"]),
            with_insemination=data["with_insemination"],
            reason=data["reason"],
            by=by,
            now=now,
        )

    def _moment(self, time: dt.time | None) -> dt.datetime | None:
        zone = ZoneInfo(self.session.season.cooperative.time_zone)
        return dt.datetime.combine(self.session.day, time, zone).astimezone(dt.UTC) if time else None


class CorrectFateForm(CorrectForm):
    """What became of a queen at the bench, also of one whose place went on to another."""

    queen = forms.ModelChoiceField(label=_("Queen"), queryset=BatchQueen.objects.none())
    fate = forms.ChoiceField(
        label=_("What became of her?"),
        choices=[
            ("there", _("She was there, alive")),
            ("set_aside", _("Set aside, alive")),
            ("lost", _("Dead or lost")),
        ],
        widget=forms.RadioSelect,
    )
    field_order = ["queen", "fate", "reason"]

    def __init__(self, *args: Any, session: BenchSession, **kwargs: Any) -> None:
        super().__init__(*args, session=session, **kwargs)
        here = BenchPlace.objects.filter(session=session).exclude(state=PlaceState.FREED).values("batch_queen")
        self.fields["queen"].queryset = (  # type: ignore[attr-defined]
            BatchQueen.objects.filter(Q(pk__in=here) | Q(gave_place_up_at=session))
            .select_related("queen")
            .order_by("batch", "number")
        )

    def correct(self, *, by: Person, now: dt.datetime) -> BenchSession:
        return fate_correct(self.session, **self.cleaned_data, by=by, now=now)


def pools_of(session: BenchSession) -> QuerySet[SemenLot]:
    of_pools = LotPart.objects.filter(lot__session=session, undone_at__isnull=True).values("lot")
    return SemenLot.objects.filter(pk__in=of_pools).select_related("session")


def mixtures_at(session: BenchSession) -> QuerySet[SemenLot]:
    return lots_that_count(session).filter(semen_batch__isnull=False).select_related("session")


def kinds_of(session: BenchSession) -> dict[str, tuple[Any, Callable[..., CorrectForm]]]:
    """What there is to correct at this session."""
    there = {"pool": pools_of(session).exists(), "mixture": mixtures_at(session).exists()}
    return {key: kind for key, kind in KINDS.items() if there.get(key, True)}


KINDS: dict[str, tuple[Any, Callable[..., CorrectForm]]] = {
    "dose": (_("A dose"), CorrectDoseForm),
    "drones": (_("Drones of a lot"), CorrectDronesForm),
    "source": (_("Source of a lot"), CorrectSourceForm),
    "tip": (_("Tip of a lot"), CorrectTipForm),
    "pool": (_("Parts of a pool"), CorrectPoolForm),
    "mixture": (_("Parts of a mixture"), CorrectMixtureForm),
    "semen": (_("Stored, discarded, lost"), CorrectSemenForm),
    "gas": (_("CO2"), CorrectGasForm),
    "queen": (_("Set aside or lost"), CorrectFateForm),
}
