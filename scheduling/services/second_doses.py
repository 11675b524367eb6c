"""Split doses: the second part's place in the order of the day it is due, and the reminder to bring her."""

import datetime as dt

from django.db.models import Max
from django.urls import reverse

from accounts.models import Person
from accounts.told import told as _
from scheduling.models import BatchQueen, BenchPlace, BenchSession, PlaceState
from scheduling.planning.units import tenths_from_ul
from scheduling.queries.season import settings_of
from scheduling.queries.second_doses import next_session_for, second_doses_at, second_doses_of
from scheduling.services.reminder_rows import Wanted, reminders_set

KINDS = ["bench_time"]


def second_doses_place(session: BenchSession) -> list[BenchPlace]:
    """Add a place at the end of the order for every second dose that is due; twice adds nothing.

    Runs inside the caller's transaction, with the session locked. It is never the plan's place: the plan is done
    with these queens, so no later plan can take it away. Its source is that of the lot which gave the first part.
    """
    there = BenchPlace.objects.filter(session=session).exclude(state=PlaceState.FREED)
    known = set(there.values_list("batch_queen_id", flat=True))
    position = there.aggregate(last=Max("position"))["last"] or 0
    dose = tenths_from_ul(settings_of(session.season).dose_split_ul)
    added = []
    for second in second_doses_at(session):
        first = second.first
        if first.batch_queen_id in known or first.place is None:
            continue
        position += 1
        added.append(
            BenchPlace.objects.create(
                session=session,
                position=position,
                plan_id=first.place.plan_id,
                booking_id=first.place.booking_id,
                batch_queen=first.batch_queen,
                source_id=first.lot.source_id,
                dose_tenths=dose,
                co2_before=first.place.co2_before,
                is_second=True,
            )
        )
        known.add(first.batch_queen_id)
    return added


def second_doses_follow(session: BenchSession) -> None:
    """Second parts that stand in an order already are of what the first part was of, also after a correction."""
    for second in second_doses_of(session):
        places = BenchPlace.objects.filter(batch_queen=second.first.batch_queen_id, is_second=True)
        places.filter(state=PlaceState.HELD).update(source_id=second.first.lot.source_id)


def second_doses_remind(session: BenchSession, *, now: dt.datetime, by: Person | None) -> None:
    """Tell the keepers of queens dosed here when their second part is due, and where; nothing where it is not any more.

    Runs inside the caller's transaction.
    """
    seconds = {second.first.batch_queen_id: second for second in second_doses_of(session)}
    for queen in BatchQueen.objects.filter(doses__session=session).distinct().select_related("batch__member"):
        second = seconds.get(queen.pk)
        wanted = []
        if second is not None:
            coming = next_session_for(second)
            due_at = max(second.due_at, coming.starts_at) if coming is not None else second.due_at
            why = (
                _("At %(session)s. Two small doses store more sperm than one large.") % {"session": coming}
                if coming is not None
                else _("No bench day is open then. Ask the coordinator, or leave it and note a low dose.")
            )
            wanted = [
                Wanted(
                    kind=KINDS[0],
                    stage=f"second d{second.first.pk}",
                    member=queen.batch.member,
                    due_at=due_at,
                    title=_("Second dose for %(queen)s") % {"queen": queen},
                    why=why,
                    link=reverse("scheduling:batch_queen", args=[queen.pk]),
                )
            ]
        reminders_set(queen, wanted, cooperative=session.season.cooperative, kinds=KINDS, now=now, by=by)
