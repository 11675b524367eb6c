"""When a reminder is told next: kept on its row, so that a tick finds it by one index."""

import datetime as dt
from collections.abc import Iterable

from scheduling.models import Reminder, ReminderState
from scheduling.planning.timing import next_rung
from scheduling.queries.tellings import Circles, circles_of, ladder_of, reminders_to_tell


def tell_at_set(reminders: Iterable[Reminder]) -> None:
    """Set the next telling on rows in memory; their cooperative, member and person are read."""
    rows = list(reminders)
    circles = circles_of(rows)
    for row in rows:
        row.tell_at = _next_at(row, circles)


def tell_at_refresh(reminders: Iterable[Reminder]) -> None:
    """The same for stored rows: people's lead times or the cooperative's ladder have changed."""
    rows = list(
        reminders_to_tell(Reminder.objects.select_for_update(of=("self",)))
        .filter(pk__in=[row.pk for row in reminders])
        .order_by("pk")
    )
    tell_at_set(rows)
    Reminder.objects.bulk_update(rows, ["tell_at"], batch_size=200)


def _next_at(reminder: Reminder, circles: Circles) -> dt.datetime | None:
    if reminder.state != ReminderState.WANTED or reminder.acknowledged_at is not None:
        return None
    rungs = ladder_of(reminder, circles)
    if reminder.told_at is None:
        return rungs[0].at
    rung = next_rung(rungs, reminder.told_at)
    return rung.at if rung else None
