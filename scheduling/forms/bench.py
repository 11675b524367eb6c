import uuid
from typing import Any

from django import forms
from django.utils.translation import gettext_lazy as _

from accounts.fields import VolumeField
from scheduling.models import (
    BatchQueen,
    BenchPlace,
    BenchSession,
    DroneSource,
    PlaceState,
    SemenLot,
    TallyOutcome,
)
from scheduling.queries.bench import LotView


class EntryForm(forms.Form):
    """Every tap carries its own id: sent twice, kept once."""

    entry = forms.UUIDField(required=False, widget=forms.HiddenInput)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["entry"].initial = uuid.uuid4


class StartForm(forms.Form):
    cautions_read = forms.BooleanField(
        label=_("I have read the cautions"),
        required=False,
    )


class LotForm(EntryForm):
    source = forms.ModelChoiceField(label=_("Source"), queryset=DroneSource.objects.none())
    tip = forms.CharField(
        label=_("Tip"), max_length=40, help_text=_("A new or cleaned tip for every source; write its name on it.")
    )

    def __init__(self, *args: Any, session: BenchSession, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["source"].queryset = DroneSource.objects.filter(  # type: ignore[attr-defined]
            season=session.season, withdrawn_at__isnull=True
        )


class TallyForm(EntryForm):
    outcome = forms.ChoiceField(choices=TallyOutcome.choices)
    drones = forms.IntegerField(min_value=1, max_value=200, initial=1, required=False)


class ReadingForm(EntryForm):
    volume = VolumeField(label=_("µl in the syringe"), min_value=0, max_value=1000)


class TakeOutForm(EntryForm):
    kind = forms.ChoiceField(
        label=_("What happens to it?"),
        choices=[("stored", _("Stored")), ("discarded", _("Discarded")), ("lost", _("Lost"))],
        widget=forms.RadioSelect,
    )
    volume = VolumeField(label=_("µl"), min_value=0, max_value=1000)
    reason = forms.CharField(
        label=_("Why, or where it is stored"),
        max_length=160,
        required=False,
        help_text=_("Needed for discarded and lost."),
    )


class DoseForm(EntryForm):
    """Dose of the queen on the hook. Rules that can be set aside ask for the reason."""

    lot = forms.ModelChoiceField(label=_("From lot"), queryset=SemenLot.objects.none())
    volume = VolumeField(label=_("Dose, µl"), min_value=0, max_value=100)
    leak_back = forms.BooleanField(label=_("Semen ran back"), required=False)
    resistance = forms.BooleanField(label=_("Resistance felt"), required=False)
    override_reason = forms.CharField(label=_("Reason, if a rule is set aside"), max_length=160, required=False)

    def __init__(self, *args: Any, lots: list[int], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["lot"].queryset = SemenLot.objects.filter(pk__in=lots)  # type: ignore[attr-defined]


class AsideForm(forms.Form):
    lost = forms.ChoiceField(
        label=_("What about her?"),
        choices=[("", _("Set aside, alive")), ("lost", _("Dead or lost"))],
        required=False,
        widget=forms.RadioSelect,
    )
    reason = forms.CharField(label=_("Why?"), max_length=160)


class QueenForm(forms.Form):
    queen = forms.ModelChoiceField(label=_("Her mark"), queryset=BatchQueen.objects.none())

    def __init__(self, *args: Any, batch_id: int, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["queen"].queryset = BatchQueen.objects.filter(batch=batch_id).select_related("queen")  # type: ignore[attr-defined]


class CloseForm(forms.Form):
    reason_for_rest = forms.CharField(
        label=_("Where is the rest?"),
        max_length=160,
        required=False,
        help_text=_("Only needed when a lot does not add up."),
    )


class MixForm(EntryForm):
    """How much of each open lot goes into one mixture."""

    tip = forms.CharField(label=_("New tip of the mixture"), max_length=40)

    def __init__(self, *args: Any, lots: list[LotView], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.lots = lots
        for view in lots:
            self.fields[f"lot{view.lot.pk}"] = VolumeField(
                label=_("%(lot)s (%(source)s), µl") % {"lot": view.lot, "source": view.lot.source or _("mixture")},
                min_value=0,
                max_value=1000,
                required=False,
                initial=max(0, view.balance.unexplained),
                help_text=_("0: none of it."),
            )
        self.order_fields([*(f"lot{view.lot.pk}" for view in lots), "tip"])

    def parts(self) -> dict[SemenLot, int]:
        """Tenths of a µl by lot, without those of which nothing is taken."""
        volumes = {view.lot: self.cleaned_data.get(f"lot{view.lot.pk}") or 0 for view in self.lots}
        return {lot: volume for lot, volume in volumes.items() if volume}


class CorrectForm(forms.Form):
    """What a queen really got at a session that is closed."""

    place = forms.ModelChoiceField(label=_("Queen"), queryset=BenchPlace.objects.none())
    volume = VolumeField(label=_("Semen she got, µl"), min_value=0, max_value=100, help_text=_("0: nothing."))
    lot = forms.ModelChoiceField(label=_("From lot"), queryset=SemenLot.objects.none(), required=False)
    reason = forms.CharField(label=_("Why is this corrected?"), max_length=160)

    def __init__(self, *args: Any, session: BenchSession, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        places = BenchPlace.objects.filter(session=session, batch_queen__isnull=False).exclude(state=PlaceState.FREED)
        self.fields["place"] = _QueenChoice(
            label=_("Queen"), queryset=places.select_related("batch_queen__queen").order_by("position")
        )
        self.fields["lot"].queryset = SemenLot.objects.filter(session=session)  # type: ignore[attr-defined]


class _QueenChoice(forms.ModelChoiceField):  # type: ignore[type-arg]
    def label_from_instance(self, obj: Any) -> str:
        return str(obj.batch_queen)
