import datetime as dt
from typing import Any

from django import forms
from django.utils.translation import gettext_lazy as _

from accounts.access import Viewer
from accounts.fields import CommaDecimalField
from breeding.forms.fields import QueenField
from scheduling.forms.fields import ApiaryField, CountField, DayField, HourField, MemberField
from scheduling.models import QueenBatch
from scheduling.planning.timing import local_to_utc
from scheduling.queries.people import apiaries_acted_for, members_acted_for, mothers_for


class BatchAddForm(forms.Form):
    """A new batch: planned backwards from a bench day, or grafted already."""

    member = MemberField(label=_("For"), queryset=None)
    name = forms.CharField(
        label=_("Name"), max_length=40, help_text=_("Short, for example “Rowan 1”. Her queens are numbered after it.")
    )
    wanted_bench_on = DayField(
        label=_("Bench day you want"),
        required=False,
        help_text=_("All steps before it are worked out and shown before anything is saved."),
    )
    grafted_on = DayField(label=_("Grafted on"), required=False, help_text=_("If you have grafted already."))
    grafted_hour = HourField(label=_("Hour of the graft"))
    cells_grafted = CountField(label=_("Cells grafted"), required=False, min_value=1, max_value=500)
    apiary = ApiaryField(label=_("Apiary"), queryset=None, required=False)
    note = forms.CharField(label=_("Note"), required=False, widget=forms.Textarea(attrs={"rows": 3}))

    def __init__(self, viewer: Viewer, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        _fill_choice(self, "member", members_acted_for(viewer))
        self.fields["mother"] = QueenField(
            label=_("Mother"),
            cooperative=viewer.cooperative,
            among=mothers_for(viewer),
            help_text=_("Her label. Any mated, living queen of the cooperative."),
            error_messages={
                "not_among": _(
                    "%(label)s is not mated and alive on record. Record her mating first, or choose another mother."
                )
            },
        )
        self.order_fields(["member", "mother"])
        _fill_choice(self, "apiary", apiaries_acted_for(viewer))
        only = list(members_acted_for(viewer)[:2])
        if len(only) == 1:
            self.fields["member"].initial = only[0].pk


class BatchEditForm(forms.Form):
    name = forms.CharField(label=_("Name"), max_length=40)
    apiary = ApiaryField(label=_("Apiary"), queryset=None, required=False)
    note = forms.CharField(label=_("Note"), required=False, widget=forms.Textarea(attrs={"rows": 3}))
    version = forms.IntegerField(widget=forms.HiddenInput)

    def __init__(self, batch: QueenBatch, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        _fill_choice(self, "apiary", batch.member.apiaries.filter(closed_on__isnull=True))


class BatchReplanForm(forms.Form):
    wanted_bench_on = DayField(label=_("Bench day you want"))
    version = forms.IntegerField(widget=forms.HiddenInput)


class _StepForm(forms.Form):
    """One observed step. `version` is what the person saw; a newer one is not written over."""

    version = forms.IntegerField(widget=forms.HiddenInput)

    @property
    def values(self) -> dict[str, Any]:
        return {name: value for name, value in self.cleaned_data.items() if name != "version"}


class ConfinedForm(_StepForm):
    confined_on = DayField(label=_("Breeder queen confined on"))


class GraftedForm(_StepForm):
    grafted_on = DayField(label=_("Grafted on"))
    grafted_hour = HourField(label=_("Hour"))
    cells_grafted = CountField(label=_("Cells grafted"), required=False, min_value=1, max_value=500)


class StartedForm(_StepForm):
    counted_on = DayField(label=_("Counted on"))
    cells_started = CountField(label=_("Cells started"), max_value=500)


class SealedForm(_StepForm):
    sealed_on = DayField(label=_("Cells sealed on"))
    cell_temperature_c = CommaDecimalField(
        label=_("Temperature of the cells, °C"),
        required=False,
        min_value=20,
        max_value=42,
        decimal_places=1,
        help_text=_("If you measured it. Cool cells emerge later."),
    )


class CagedForm(_StepForm):
    caged_on = DayField(label=_("Ripe cells caged or moved on"))
    cell_temperature_c = CommaDecimalField(
        label=_("Temperature of the cells, °C"), required=False, min_value=20, max_value=42, decimal_places=1
    )


class EmergedForm(_StepForm):
    emerged_on = DayField(label=_("Emerged on"))
    emerged_hour = HourField(label=_("Hour"))
    virgins_emerged = CountField(
        label=_("Virgins emerged"), max_value=500, help_text=_("In all. Each gets a label of her own.")
    )


class EmergenceForm(_StepForm):
    """Virgins of one more day, or another number of a day on record."""

    emerged_on = DayField(label=_("Emerged on"))
    virgins = CountField(
        label=_("Virgins of that day"),
        max_value=500,
        help_text=_("A day on record already is corrected to this number; 0 takes it back."),
    )


class ExcluderForm(_StepForm):
    excluder_on = DayField(label=_("Excluder on every nuc since"))


class EggsForm(_StepForm):
    eggs_seen_on = DayField(label=_("First eggs seen on"))


class FirstCo2Form(_StepForm):
    """When the treatment at home began and ended, by the clock of the apiary."""

    day = DayField(label=_("Given on"))
    started = forms.TimeField(
        label=_("Gas on at"), required=False, widget=forms.TimeInput(attrs={"type": "time"}, format="%H:%M")
    )
    time = forms.TimeField(label=_("Ended at"), widget=forms.TimeInput(attrs={"type": "time"}, format="%H:%M"))

    def moments(self, zone: str) -> tuple[dt.datetime | None, dt.datetime]:
        day, started = self.cleaned_data["day"], self.cleaned_data["started"]
        ended = local_to_utc(day, self.cleaned_data["time"], zone)
        return (local_to_utc(day, started, zone) if started else None), ended


class SecondCo2Form(FirstCo2Form):
    """The same after the bench; it is written down for each queen, with both ends."""

    started = forms.TimeField(label=_("Gas on at"), widget=forms.TimeInput(attrs={"type": "time"}, format="%H:%M"))


STEP_FORMS: dict[str, type[_StepForm]] = {
    "confined": ConfinedForm,
    "grafted": GraftedForm,
    "started": StartedForm,
    "sealed": SealedForm,
    "caged": CagedForm,
    "emerged": EmergedForm,
    "excluder": ExcluderForm,
    "eggs": EggsForm,
}


class CloseForm(forms.Form):
    reason = forms.CharField(label=_("Why, if you like"), max_length=120, required=False)
    version = forms.IntegerField(widget=forms.HiddenInput)


class NucForm(forms.Form):
    """Where a single queen stands."""

    nuc = forms.CharField(label=_("Nuc"), max_length=40, required=False, help_text=_("Its name or number."))
    excluder_confirmed_on = DayField(
        label=_("Excluder seen in place on"), required=False, help_text=_("Empty: not looked at yet.")
    )


class QueenLeavesForm(forms.Form):
    """A single queen set aside or lost."""

    what = forms.ChoiceField(
        label=_("What happened"),
        choices=[("set_aside", _("Set aside: alive, not for the bench")), ("lost", _("Lost: dead or gone"))],
        widget=forms.RadioSelect,
    )
    reason = forms.CharField(label=_("Why"), max_length=120)
    lost_on = DayField(label=_("On"), required=False, help_text=_("Empty: today."))


def _fill_choice(form: forms.Form, name: str, queryset: Any) -> None:
    field = form.fields[name]
    assert isinstance(field, forms.ModelChoiceField)
    field.queryset = queryset
