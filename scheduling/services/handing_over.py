"""What of stock and season goes along with `accounts.services.handing_over`, in its transaction."""

import datetime as dt

from django.db.models import F

from accounts.models import Member
from breeding.models import Queen, QueenStatus
from scheduling.models import Booking, Delivery, DeliveryState, DroneSource, QueenBatch, Reminder, ReminderState
from scheduling.services.reminder_rows import LIVE, NOT_YET_OUT
from scheduling.services.tell_at import tell_at_refresh


def member_handed_over(member: Member, *, to: Member, now: dt.datetime) -> dict[str, int]:
    """Living queens, what is under way in open seasons, and what is still to be reminded of; the rest is history."""
    queens = Queen.objects.filter(owner=member).exclude(status=QueenStatus.GONE)
    batches = QueenBatch.objects.filter(member=member, season__closed_at=None)
    sources = DroneSource.objects.filter(member=member, season__closed_at=None)
    bookings = Booking.objects.filter(member=member, season__closed_at=None)
    return {
        "queens": queens.update(owner=to),
        "batches": batches.update(member=to, version=F("version") + 1),
        "sources": sources.update(member=to),
        "bookings": bookings.update(member=to, version=F("version") + 1),
        "reminders": _reminders_move(member, to),
    }


def _reminders_move(member: Member, to: Member) -> int:
    """Whoever acts for the new member is told, also of what the former persons were told already but did not settle."""
    live = Reminder.objects.filter(member=member, state__in=LIVE)
    rows = list(live.select_for_update(of=("self",)).order_by("pk"))
    moved = Reminder.objects.filter(pk__in=[row.pk for row in rows])
    Delivery.objects.filter(reminder__in=moved, state__in=NOT_YET_OUT).update(
        state=DeliveryState.SUPERSEDED, claim=None, lease_until=None
    )
    moved.update(member=to, person=None)
    untold = moved.filter(state=ReminderState.WANTED, acknowledged_at=None)
    untold.update(told_at=None)
    tell_at_refresh(untold)
    return len(rows)
