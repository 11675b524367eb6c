import datetime as dt
from typing import Any

from django import forms
from django.db.models import QuerySet
from django.utils.translation import gettext_lazy as _

from accounts.models import Cooperative, Person, Role
from scheduling.forms.fields import DayField
from scheduling.models import Bench, BenchSession, DroneSource, Season, SessionState


class BenchForm(forms.Form):
    name = forms.CharField(label=_("Name of the bench"), max_length=60)
    place = forms.CharField(label=_("How to find it"), max_length=120, required=False)


class SessionForm(forms.Form):
    """One bench day: when, who, and how much can be done. Times are the cooperative's wall clock."""

    bench = forms.ModelChoiceField(label=_("Bench"), queryset=Bench.objects.none())
    day = DayField(label=_("Day"))
    starts = forms.TimeField(label=_("Starts"), initial=dt.time(9, 30), widget=forms.TimeInput(attrs={"type": "time"}))
    ends = forms.TimeField(label=_("Ends"), initial=dt.time(14, 0), widget=forms.TimeInput(attrs={"type": "time"}))
    operator = forms.ModelChoiceField(label=_("Operator"), queryset=Person.objects.none(), required=False)
    places = forms.IntegerField(
        label=_("Places for queens"), min_value=0, max_value=500, help_text=_("0: somebody is there for CO2 only.")
    )
    operator_minutes = forms.IntegerField(
        label=_("Operator minutes"), min_value=0, max_value=1440, help_text=_("Time at the microscope, without breaks.")
    )
    collect_drones = forms.IntegerField(label=_("Drones the helpers can evert"), min_value=0, max_value=5000)
    co2_capacity = forms.IntegerField(
        label=_("Other CO2 treatments a day"),
        min_value=0,
        max_value=1000,
        help_text=_(
            "Queens that can get their other CO2 treatment on this day or a day beside it, at the bench or at home."
        ),
    )
    note = forms.CharField(label=_("Note"), required=False, widget=forms.Textarea(attrs={"rows": 2}))

    def __init__(
        self, *args: Any, cooperative: Cooperative, session: BenchSession | None = None, **kwargs: Any
    ) -> None:
        super().__init__(*args, **kwargs)
        self.fields["bench"].queryset = Bench.objects.filter(cooperative=cooperative)  # type: ignore[attr-defined]
        self.fields["operator"].queryset = (  # type: ignore[attr-defined]
            Person.objects.filter(role_grants__cooperative=cooperative, role_grants__role=Role.OPERATOR).distinct()
        )
        if session is not None:
            del self.fields["bench"], self.fields["day"]


class SessionCancelForm(forms.Form):
    reason = forms.CharField(label=_("Why is it called off?"), max_length=200)


class MoveForm(forms.Form):
    """Put queens of one booking into a session, from a source."""

    session = forms.ModelChoiceField(label=_("To which session"), queryset=BenchSession.objects.none())
    source = forms.ModelChoiceField(label=_("With drones of"), queryset=DroneSource.objects.none())
    queens = forms.IntegerField(label=_("How many queens"), min_value=1, max_value=500)
    version = forms.IntegerField(widget=forms.HiddenInput)

    def __init__(self, *args: Any, season: Season, today: dt.date, sources: list[int] | None, **kwargs: Any) -> None:
        """`sources` : to choose from; None: they get mixed semen."""
        super().__init__(*args, **kwargs)
        self.fields["session"].queryset = BenchSession.objects.filter(  # type: ignore[attr-defined]
            season=season, state=SessionState.OPEN, day__gte=today, places__gt=0
        ).select_related("bench")
        if sources is None:
            del self.fields["source"]
            self.fields["session"].help_text = _(
                "They join the mixture of this request that is made there, take theirs along, or get one made for them."
            )
            return
        self.fields["source"].queryset = DroneSource.objects.filter(season=season, pk__in=sources)  # type: ignore[attr-defined]


class RepairForm(forms.Form):
    """What a repair has to do without, beside what the facts say."""

    sessions = forms.ModelMultipleChoiceField(
        label=_("Bench days that will not be held"),
        queryset=BenchSession.objects.none(),
        required=False,
        widget=forms.CheckboxSelectMultiple,
    )
    sources = forms.ModelMultipleChoiceField(
        label=_("Sources that cannot bring drones any more"),
        queryset=DroneSource.objects.none(),
        required=False,
        widget=forms.CheckboxSelectMultiple,
    )

    def __init__(
        self, *args: Any, sessions: QuerySet[BenchSession], sources: QuerySet[DroneSource], **kwargs: Any
    ) -> None:
        super().__init__(*args, **kwargs)
        self.fields["sessions"].queryset = sessions  # type: ignore[attr-defined]
        self.fields["sources"].queryset = sources  # type: ignore[attr-defined]


class RepairChoiceForm(forms.Form):
    choice = forms.ChoiceField(choices=[("fewest", ""), ("balanced", ""), ("most", "")])
    version = forms.IntegerField(min_value=0, required=False)
