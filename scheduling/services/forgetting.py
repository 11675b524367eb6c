"""What the season forgets of a person, in the transaction of `accounts.services.forgetting`."""

import datetime as dt

from accounts.models import Person
from scheduling.models import CalendarFeed, Delivery, DeliveryState, Reminder, ReminderState
from scheduling.queries.health import ON_THE_WAY
from scheduling.services.reminder_rows import LIVE
from scheduling.services.tell_at import tell_at_refresh


def person_forgotten(person: Person, *, now: dt.datetime) -> None:
    """Nothing goes out to them any more, their calendars end, and what they alone were on is told to others again."""
    CalendarFeed.objects.filter(person=person).delete()
    told = Delivery.objects.filter(person=person)
    told.exclude(problem="").update(problem="")  # what a mail server answered names the address
    told.filter(state__in=[*ON_THE_WAY, DeliveryState.HELD, DeliveryState.IN_DOUBT, DeliveryState.DEAD]).update(
        state=DeliveryState.SUPERSEDED, claim=None, lease_until=None
    )
    Reminder.objects.filter(person=person, state__in=LIVE).update(
        state=ReminderState.SUPERSEDED, ended_at=now, tell_at=None
    )
    left = Reminder.objects.filter(acknowledged_by=person, state=ReminderState.WANTED, useful_until__gte=now)
    rows = list(left)
    left.update(acknowledged_at=None, acknowledged_by=None)
    tell_at_refresh(rows)
