"""When a person hears of things, and when others are told instead."""

import datetime as dt
from typing import Any

from django import forms
from django.http import QueryDict
from django.utils.translation import gettext_lazy as _
from django.utils.translation import ngettext_lazy

from accounts.models import Person, ReminderLead
from scheduling.forms.fields import DayField
from scheduling.planning.timing import local_to_utc
from scheduling.reminder_kinds import KINDS

LEADS_MIN = [0, 30, 60, 180, 720, 1440, 2880, 4320, 10080]
DAY_ENDS = dt.time(23, 59)


def _lead_words(minutes: int) -> Any:
    if minutes == 0:
        return _("Only at its moment")
    if minutes < 60:
        return ngettext_lazy("%(n)d minute before", "%(n)d minutes before", "n") % {"n": minutes}
    if minutes < 1440:
        return ngettext_lazy("%(n)d hour before", "%(n)d hours before", "n") % {"n": minutes // 60}
    return ngettext_lazy("%(n)d day before", "%(n)d days before", "n") % {"n": minutes // 1440}


def _minutes(label: Any) -> forms.IntegerField:
    return forms.IntegerField(
        label=label,
        min_value=5,
        max_value=840,
        help_text=_("Minutes. It stops as soon as somebody says that they are on it."),
    )


class TellingTimesForm(forms.Form):
    """Quiet hours, and for each kind of step whether to be told some time before it too."""

    quiet_from = forms.TimeField(
        label=_("Quiet from"),
        required=False,
        widget=forms.TimeInput(attrs={"type": "time"}),
        help_text=_("Routine reminders wait until the quiet hours end. Caging, CO2 and bench times come all the same."),
    )
    quiet_until = forms.TimeField(
        label=_("Quiet until"), required=False, widget=forms.TimeInput(attrs={"type": "time"})
    )

    def __init__(self, data: QueryDict | None, *, person: Person) -> None:
        leads = dict(ReminderLead.objects.filter(person=person).values_list("kind", "minutes"))
        super().__init__(data, initial={"quiet_from": person.quiet_from, "quiet_until": person.quiet_until})
        for kind in KINDS.values():
            if kind.is_news:
                continue
            chosen = leads.get(kind.key, 0)
            self.fields[kind.key] = forms.TypedChoiceField(
                label=str(kind.label),
                coerce=int,
                initial=chosen,
                choices=[(minutes, _lead_words(minutes)) for minutes in sorted({*LEADS_MIN, chosen})],
            )

    @property
    def leads_min(self) -> dict[str, int | None]:
        return {key: value or None for key, value in self.cleaned_data.items() if key in KINDS}


class PauseForm(forms.Form):
    """Until which day nothing is sent to somebody."""

    until = DayField(
        label=_("Until the evening of"),
        help_text=_("The app still shows everything. What is critical goes to the deputy, else to the coordinators."),
    )

    def moment(self, zone: str) -> dt.datetime:
        return local_to_utc(self.cleaned_data["until"], DAY_ENDS, zone)


class LadderForm(forms.Form):
    """After how many minutes an unanswered critical reminder is passed on; the service holds the order."""

    deputy_after_min = _minutes(_("To the deputy, after its moment"))
    coordinator_after_min = _minutes(_("To the coordinators, after its moment"))
    deputy_after_day_min = _minutes(_("To the deputy, after the morning of its day"))
    coordinator_after_day_min = _minutes(_("To the coordinators, after the morning of its day"))
