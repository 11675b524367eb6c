"""Telling a keeper at once that a queen got semen of another source than planned."""

import datetime as dt

from django.urls import reverse

from accounts.models import Person
from accounts.told import and_told
from accounts.told import told as _
from scheduling.models import Dose
from scheduling.queries.bench_rules import is_other_source, planned_sources
from scheduling.queries.lots import sources_of_lot
from scheduling.services.reminder_rows import Wanted, reminders_set

KINDS = ["semen_news"]


def other_source_told(dose: Dose, *, why: str = "", by: Person, now: dt.datetime) -> None:
    """Tell whose queen she is, where the lot is not what her place was planned with. Without `why`: as it was given.

    Within the caller's transaction. What was told of this dose before is replaced.
    """
    place, given = dose.place, sources_of_lot(dose.lot)
    wanted = []
    if place is not None and is_other_source(place, given):
        wanted.append(
            Wanted(
                kind=KINDS[0],
                stage="other",
                member=place.booking.member,
                due_at=now,
                title=_("%(queen)s got semen of another source") % {"queen": dose.batch_queen},
                why=_("At %(session)s she got %(given)s in place of %(planned)s: %(why)s")
                % {
                    "session": dose.session,
                    "given": and_told([str(source) for source in given]),
                    "planned": and_told([str(source) for source in planned_sources(place)]),
                    "why": why or dose.override_reason.partition(": ")[2] or "–",
                },
                link=reverse("scheduling:trace_queen", args=[dose.batch_queen_id]),
            )
        )
    reminders_set(dose, wanted, cooperative=dose.session.season.cooperative, kinds=KINDS, now=now, by=by)


def other_source_untold(dose: Dose, *, by: Person, now: dt.datetime) -> None:
    """The dose was not given after all."""
    reminders_set(dose, [], cooperative=dose.session.season.cooperative, kinds=KINDS, now=now, by=by)
