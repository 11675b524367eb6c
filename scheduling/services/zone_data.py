"""A country moves its clocks: what hangs on the clock at the wall gets its moment anew."""

import datetime as dt

from django.db import transaction

from scheduling.models import Reminder, ReminderState
from scheduling.planning.timing import local_to_utc
from scheduling.queries.tellings import reminders_to_tell
from scheduling.services.tell_at import tell_at_set


def reminders_rederive(*, now: dt.datetime) -> int:
    """Work out anew, from their local day and time, the moments of reminders still to come. Returns how many moved.

    What was put off, told or is due by now is left alone.
    """
    with transaction.atomic():
        rows = (
            reminders_to_tell(Reminder.objects.select_for_update(skip_locked=True, of=("self",)))
            .filter(state=ReminderState.WANTED, told_at__isnull=True, due_at__gt=now, wall_date__isnull=False)
            .order_by("pk")
        )
        moved = []
        for row in rows.iterator(chunk_size=500):
            if row.wall_date is None or row.wall_time is None:
                continue
            moment = local_to_utc(row.wall_date, row.wall_time, row.wall_zone)
            if moment != row.base_due_at:
                row.useful_until += moment - row.base_due_at
                row.due_at = row.base_due_at = moment
                moved.append(row)
        tell_at_set(moved)
        Reminder.objects.bulk_update(moved, ["due_at", "base_due_at", "useful_until", "tell_at"], batch_size=200)
    return len(moved)
