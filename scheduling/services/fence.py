"""After a backup was restored: what was due before may have gone out already, so people decide what goes out again.

A restore brings back rows that were sent since the backup as if they were still to send. `reminders_hold` sets them
aside; a coordinator releases them (`reminders_release`) or says that they have gone out (`reminders_drop`). What is
due later runs on as ever.
"""

import datetime as dt
from collections.abc import Iterable

from django.db import transaction
from django.db.models import Q

from accounts.models import Cooperative, Person
from accounts.services.audit import audit_record
from scheduling.models import Delivery, DeliveryState, Reminder, ReminderState
from scheduling.planning.timing import next_rung
from scheduling.queries.tellings import circles_of, ladder_of, reminders_to_tell

ON_THE_WAY = [DeliveryState.PENDING, DeliveryState.RETRY, DeliveryState.CLAIMED, DeliveryState.SENDING]


def reminders_hold(*, fence: dt.datetime, now: dt.datetime) -> int:
    """Set aside whatever was to be told before `fence`. Returns how many reminders wait. Twice is once."""
    with transaction.atomic():
        open_rows = Reminder.objects.filter(state=ReminderState.WANTED, held_at__isnull=True)
        # Whoever had claimed rows when the backup was made is gone: they may have gone out whatever their time.
        unsent = Delivery.objects.filter(state__in=ON_THE_WAY).filter(
            Q(next_try_at__lt=fence) | Q(state__in=[DeliveryState.CLAIMED, DeliveryState.SENDING])
        )
        concerned = open_rows.filter(Q(tell_at__lt=fence) | Q(pk__in=unsent.values("reminder")))
        held = list(concerned.values_list("pk", "cooperative"))
        unsent.update(state=DeliveryState.HELD, claim=None, lease_until=None)
        Reminder.objects.filter(pk__in=[pk for pk, _cooperative in held]).update(held_at=now)
        for cooperative in Cooperative.objects.filter(pk__in={pk for _pk, pk in held}):
            audit_record(
                cooperative,
                action="reminder.hold",
                by=None,
                now=now,
                cooperative=cooperative,
                after={"fence": fence, "reminders": sum(pk == cooperative.pk for _pk, pk in held)},
            )
    return len(held)


def reminders_release(reminders: Iterable[Reminder], *, by: Person, now: dt.datetime) -> int:
    """Let them go out: each by its newest telling at the next tick. Returns how many."""
    return _let_out(reminders, "reminder.release", by=by, now=now)


def reminders_drop(reminders: Iterable[Reminder], *, by: Person, now: dt.datetime) -> int:
    """They have gone out before: only what is due from now on is told. Returns how many."""
    return _let_out(reminders, "reminder.drop", by=by, now=now)


def _let_out(reminders: Iterable[Reminder], action: str, *, by: Person, now: dt.datetime) -> int:
    with transaction.atomic():
        rows = list(
            reminders_to_tell(Reminder.objects.select_for_update(of=("self",)))
            .filter(pk__in=[row.pk for row in reminders], held_at__isnull=False)
            .order_by("pk")
        )
        held = Delivery.objects.filter(reminder__in=rows, state=DeliveryState.HELD)
        if action == "reminder.release":
            held.update(state=DeliveryState.PENDING, next_try_at=now)
        else:
            held.update(state=DeliveryState.SUPERSEDED)
            circles = circles_of(rows)
            for row in rows:
                coming = next_rung(ladder_of(row, circles), now)
                row.tell_at, row.told_at = coming.at if coming else None, row.told_at or now
        for row in rows:
            row.held_at = None
            audit_record(row, action=action, by=by, now=now, cooperative=row.cooperative)
        Reminder.objects.bulk_update(rows, ["held_at", "tell_at", "told_at"], batch_size=200)
    return len(rows)
