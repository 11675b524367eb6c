"""One reminder, told: what the tests of the channels begin with."""

import datetime as dt
from typing import Any

from accounts.models import Person
from scheduling.models import Delivery, Reminder
from scheduling.services.delivery import deliver_due
from tests.factories import NOW, MemberPersonFactory, PersonFactory, ReminderFactory


def told(*, now: dt.datetime = NOW, person: Person | None = None, **fields: Any) -> Delivery:
    """Deliver a reminder that is due to its one person; the row of the mail."""
    written_at = now - dt.timedelta(days=3)
    reminder = ReminderFactory(tell_at=now, **{"due_at": now, "created_at": written_at, **fields})
    MemberPersonFactory(member=reminder.member, person=person or PersonFactory(name="Ane", email="ane@example.org"))
    deliver_due(now=now)
    return mail_row(reminder)


def mail_row(reminder: Reminder) -> Delivery:
    rows = Delivery.objects.select_related("reminder__cooperative", "reminder__member", "person")
    return rows.get(reminder=reminder, channel="mail")
