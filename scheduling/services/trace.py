"""Telling the keepers of every queen that got semen of a source or a lot."""

import datetime as dt

from django.db import transaction
from django.urls import reverse

from accounts.models import Person
from accounts.refusals import Refusal
from accounts.services.audit import audit_record
from accounts.told import Told, and_told
from accounts.told import told as _
from scheduling.models import DroneSource, SemenLot
from scheduling.queries.trace import ForwardTrace, trace_of_lots, trace_of_source
from scheduling.services.reminder_rows import Wanted, reminders_set

KINDS = ["semen_news"]
MOST_NAMED = 6


def trace_tell(thing: DroneSource | SemenLot, *, words: str, by: Person, now: dt.datetime) -> int:
    """Tell each keeper once, with the marks of their own queens. A later telling takes the place of an earlier one.

    Returns how many were told. Refused without words, or where no queen got any of it.
    """
    words = words.strip()
    if not words:
        raise Refusal(_("Say what is so, and what the keepers should do."), field="words", rule="says_why")
    if isinstance(thing, DroneSource):
        trace, season = trace_of_source(thing), thing.season
    else:
        trace, season = trace_of_lots([thing.pk]), thing.session.season
    if not trace.members:
        raise Refusal(_("No queen got semen of it."), rule="nobody_to_tell")
    with transaction.atomic():
        reminders_set(
            thing,
            _wanted(thing, trace, words, now=now),
            cooperative=season.cooperative,
            kinds=KINDS,
            now=now,
            by=by,
        )
        audit_record(
            thing,
            action="trace.tell",
            by=by,
            now=now,
            cooperative=season.cooperative,
            after={"members": [member.name for member in trace.members], "queens": len(trace.queens)},
            note=words[:200],
        )
    return len(trace.members)


def _wanted(thing: DroneSource | SemenLot, trace: ForwardTrace, words: str, *, now: dt.datetime) -> list[Wanted]:
    found = []
    for member in trace.members:
        queens = [queen for queen in trace.queens if queen.batch.member_id == member.pk]
        names: list[str | Told] = [str(queen) for queen in queens[:MOST_NAMED]]
        if len(queens) > MOST_NAMED:
            names.append(_("%(n)d more") % {"n": len(queens) - MOST_NAMED})
        found.append(
            Wanted(
                kind=KINDS[0],
                stage=f"m{member.pk}",
                member=member,
                due_at=now,
                title=_("Semen of %(thing)s: please look at your queens") % {"thing": thing},
                why=_("%(words)s %(queens)s.") % {"words": words[:180], "queens": and_told(names)},
                link=reverse("scheduling:trace_queen", args=[queens[0].pk]),
            )
        )
    return found
