import uuid
from collections.abc import Iterable
from typing import Any

from django import forms
from django.db.models import QuerySet
from django.utils.translation import gettext, ngettext
from django.utils.translation import gettext_lazy as _

from accounts.fields import VolumeField
from scheduling.forms.fields import DayField
from scheduling.models import (
    BatchQueen,
    BenchSession,
    DroneSource,
    SemenLot,
    TallyOutcome,
)
from scheduling.queries.lots import LotView
from scheduling.queries.place_again import Successor


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
    nitrogen_shown = forms.BooleanField(required=False, widget=forms.HiddenInput)  # the page says what it showed


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


class DronesOfSources(forms.Form):
    """A number of drones for each source."""

    def add_sources(self, sources: QuerySet[DroneSource], *, last: list[str]) -> None:
        """Before the fields that come last."""
        self.sources = list(sources)
        for source in self.sources:
            self.fields[f"source{source.pk}"] = forms.IntegerField(
                label=_("Drones of %(source)s") % {"source": source.name},
                min_value=0,
                max_value=2000,
                required=False,
                widget=forms.NumberInput(attrs={"data-source": source.pk, "inputmode": "numeric"}),
            )
        first = [name for name in self.fields if name not in last and not name.startswith("source")]
        self.order_fields([*first, *(f"source{source.pk}" for source in self.sources), *last])

    def parts(self) -> dict[DroneSource, int]:
        drones = {source: self.cleaned_data.get(f"source{source.pk}") or 0 for source in self.sources}
        return {source: number for source, number in drones.items() if number}


class PoolForm(DronesOfSources, EntryForm):
    """Drones of several sources put together: how many of each."""

    tip = forms.CharField(label=_("Tip of the pool"), max_length=40)

    def __init__(self, *args: Any, session: BenchSession, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        offered = DroneSource.objects.filter(season=session.season, withdrawn_at__isnull=True)
        self.add_sources(offered, last=["tip"])


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
    second_planned = forms.BooleanField(label=_("First part of a split dose"), required=False)
    more = forms.BooleanField(label=_("More for the same queen"), required=False)
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


class GiveOnForm(forms.Form):
    """Who gets a place that became free; the first of the order needs no reason."""

    queen = forms.TypedChoiceField(label=_("Queen"), coerce=int, widget=forms.RadioSelect)
    reason = forms.CharField(
        label=_("Why not the first?"),
        max_length=160,
        required=False,
        help_text=_("Only needed when somebody is passed over, for example: not here today."),
    )

    def __init__(self, *args: Any, found: list[Successor], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.found = {one.queen.pk: one for one in found}
        self.fields["queen"].choices = [(one.queen.pk, self._words(one)) for one in found]  # type: ignore[attr-defined]
        self.fields["queen"].initial = found[0].queen.pk if found else None

    def _words(self, one: Successor) -> str:
        words = {"rank": one.rank, "queen": one.queen, "batch": one.booking.batch, "member": one.booking.member}
        text = gettext("%(rank)d. %(queen)s · %(batch)s, %(member)s") % words
        if one.age is None:
            return text
        return text + " · " + ngettext("%(n)d day old", "%(n)d days old", one.age) % {"n": one.age}

    def chosen(self) -> BatchQueen:
        return self.found[self.cleaned_data["queen"]].queen


class CloseForm(forms.Form):
    reason_for_rest = forms.CharField(
        label=_("Where is the rest?"),
        max_length=160,
        required=False,
        help_text=_("Only needed when a lot does not add up."),
    )


class MixForm(EntryForm):
    """How much of each lot that holds something goes into one mixture."""

    tip = forms.CharField(label=_("New tip of the mixture"), max_length=40)

    def __init__(self, *args: Any, lots: list[LotView], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.lots = lots
        for view in lots:
            self.fields[f"lot{view.lot.pk}"] = VolumeField(
                label=_("%(lot)s (%(source)s), µl") % {"lot": view.lot, "source": _whose(view)},
                min_value=0,
                max_value=1000,
                required=False,
                initial=view.free,
                help_text=_("0: none of it."),
            )
        self.order_fields([*(f"lot{view.lot.pk}" for view in lots), "tip"])

    def parts(self) -> dict[SemenLot, int]:
        """Tenths of a µl by lot, without those of which nothing is taken."""
        volumes = {view.lot: self.cleaned_data.get(f"lot{view.lot.pk}") or 0 for view in self.lots}
        return {lot: volume for lot, volume in volumes.items() if volume}


def _whose(view: LotView) -> str:
    pool = " + ".join(part.source.name for part in view.lot.parts.all())
    return str(view.lot.source or pool or _("mixture"))


class TipForm(EntryForm):
    lot = forms.ModelChoiceField(label=_("For lot"), queryset=SemenLot.objects.none(), required=False, empty_label=None)
    tip = forms.CharField(label=_("New or cleaned tip"), max_length=40)

    def __init__(self, *args: Any, lots: Iterable[LotView], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["lot"].queryset = SemenLot.objects.filter(pk__in=[view.lot.pk for view in lots])  # type: ignore[attr-defined]


class ViabilityForm(forms.Form):
    checked_on = DayField(label=_("Tested on"))
    percent = forms.IntegerField(label=_("Living sperm, per cent"), min_value=0, max_value=100)
