"""Questions of what-if: one small form for each fact that could be another."""

from decimal import Decimal
from typing import Any

from django import forms
from django.http import QueryDict
from django.utils.translation import gettext_lazy as _

from accounts.fields import CommaDecimalField, VolumeField
from scheduling.forms.fields import DayField
from scheduling.models import Bench, BenchSession, DroneSource, Season, SessionState
from scheduling.queries.what_if import LIMITS

LEAST_DOSE_UL, MOST_DOSE_UL = 8, 12  # within what one queen is given


class Question(forms.Form):
    """One kind of question. `change` : as `queries.what_if.WhatIf` takes it; valid forms alone."""

    kind = ""
    title: Any = ""
    needs: tuple[str, ...] = ()

    def __init__(self, data: QueryDict | None, *, season: Season) -> None:
        super().__init__(data, prefix=self.kind)
        open_sessions = season.sessions.filter(state=SessionState.OPEN).select_related("bench").order_by("starts_at")
        choices = {
            "session": open_sessions,
            "source": DroneSource.objects.filter(season=season, withdrawn_at=None).order_by("name"),
            "bench": Bench.objects.filter(cooperative=season.cooperative_id).order_by("name"),
        }
        for name in self.needs:
            self.fields[name].queryset = choices[name]  # type: ignore[attr-defined]

    @property
    def is_possible(self) -> bool:
        """Whether there is anything to choose from."""
        return all(self.fields[name].queryset.exists() for name in self.needs)  # type: ignore[attr-defined]

    @property
    def change(self) -> dict[str, Any]:
        return {"kind": self.kind, **{name: plain(value) for name, value in self.cleaned_data.items()}}


def plain(value: Any) -> Any:
    """What a job's arguments can keep."""
    if isinstance(value, BenchSession | DroneSource | Bench):
        return value.pk
    if isinstance(value, Decimal):
        return str(value)
    return value.isoformat() if hasattr(value, "isoformat") else value


class LimitsQuestion(Question):
    kind, title, needs = "limits", _("A bench day with other limits"), ("session",)
    session = forms.ModelChoiceField(label=_("Bench day"), queryset=BenchSession.objects.none(), empty_label=None)
    operator_minutes = forms.IntegerField(label=_("Operator minutes"), min_value=0, max_value=1440, required=False)
    places = forms.IntegerField(label=_("Places for queens"), min_value=0, max_value=500, required=False)
    collect_drones = forms.IntegerField(
        label=_("Drones the helpers can evert"),
        min_value=0,
        max_value=5000,
        required=False,
        help_text=_("What you leave empty stays as it is."),
    )

    def clean(self) -> dict[str, Any]:
        data = super().clean() or {}
        session = data.get("session")
        if session is not None:
            if all(data.get(name) is None for name in LIMITS):
                self.add_error(None, _("Enter at least one figure."))
            for name in LIMITS:
                data[name] = getattr(session, name) if data.get(name) is None else data[name]
        return data


class SessionQuestion(Question):
    kind, title, needs = "session", _("One more bench day"), ("bench",)
    bench = forms.ModelChoiceField(label=_("Bench"), queryset=Bench.objects.none(), empty_label=None)
    day = DayField(
        label=_("Day"),
        help_text=_("With the hours and limits that this bench usually has."),
    )


class LevelQuestion(Question):
    kind, title = "level", _("Another service level")
    percent = CommaDecimalField(label=_("Service level, %"), min_value=50, max_value=99)

    @property
    def change(self) -> dict[str, Any]:
        return {"kind": self.kind, "value": str(self.cleaned_data["percent"] / 100)}


class CapQuestion(Question):
    kind, title, needs = "cap", _("Another cap of a source"), ("source",)
    source = forms.ModelChoiceField(label=_("Source"), queryset=DroneSource.objects.none(), empty_label=None)
    percent = CommaDecimalField(
        label=_("Largest share of all semen, %"),
        min_value=1,
        max_value=100,
        required=False,
        help_text=_("Empty: no cap of its own."),
    )

    @property
    def change(self) -> dict[str, Any]:
        percent = self.cleaned_data["percent"]
        permille = None if percent is None else int(percent * 10)
        return {"kind": self.kind, "source": self.cleaned_data["source"].pk, "permille": permille}


class DoseQuestion(Question):
    kind, title = "dose", _("Another dose for every queen")
    tenths = VolumeField(
        label=_("Dose, µl"), help_text=_("Between 8 and 12. The members decide it: each changes the own request.")
    )

    def clean_tenths(self) -> int:
        tenths: int = self.cleaned_data["tenths"]
        if not 10 * LEAST_DOSE_UL <= tenths <= 10 * MOST_DOSE_UL:
            raise forms.ValidationError(_("Between 8 and 12 µl."))
        return tenths


class DronesQuestion(Question):
    kind, title, needs = "drones", _("More drones of a source"), ("source", "session")
    source = forms.ModelChoiceField(label=_("Source"), queryset=DroneSource.objects.none(), empty_label=None)
    session = forms.ModelChoiceField(label=_("Ripe on"), queryset=BenchSession.objects.none(), empty_label=None)
    drones = forms.IntegerField(
        label=_("More safe drones"), min_value=1, max_value=5000, help_text=_("Only the hives can give them.")
    )


QUESTIONS: dict[str, type[Question]] = {
    form.kind: form
    for form in (LimitsQuestion, SessionQuestion, DronesQuestion, DoseQuestion, LevelQuestion, CapQuestion)
}
