"""What a summary of the morning says: late, due today, due tomorrow, as it stands when the mail is written."""

import datetime as dt
from zoneinfo import ZoneInfo

from django.utils.translation import gettext as _

from accounts.access import viewer_of
from scheduling.models import Delivery
from scheduling.planning.timing import days_later, local_to_utc
from scheduling.queries.reminders import ShownReminder, open_reminders
from scheduling.queries.tellings import zone_of_person

MIDNIGHT = dt.time(0, 0)
MOST_LINES = 30


def summary_lines(delivery: Delivery, *, now: dt.datetime) -> list[tuple[str, list[str]]]:
    """Return sections with their lines; one sentence where nothing is due."""
    cooperative = delivery.reminder.cooperative
    viewer = viewer_of(delivery.person, cooperative.pk)
    zone = zone_of_person(delivery.person, cooperative)
    today = now.astimezone(ZoneInfo(zone)).date()
    tomorrow, after = (local_to_utc(days_later(today, days), MIDNIGHT, zone) for days in (1, 2))
    rows = (
        open_reminders(viewer, now=now, until=after) if viewer is not None and viewer.cooperative == cooperative else []
    )
    sections = [
        (_("Late"), [row for row in rows if row.state == "late"]),
        (_("Today"), [row for row in rows if row.state != "late" and row.reminder.due_at < tomorrow]),
        (_("Tomorrow"), [row for row in rows if row.reminder.due_at >= tomorrow]),
    ]
    found = [(head, [_line(row, zone) for row in shown[:MOST_LINES]]) for head, shown in sections if shown]
    return found or [(_("Nothing is due today or tomorrow."), [])]


def _line(row: ShownReminder, zone: str) -> str:
    if row.reminder.wall_date is not None or row.is_news:
        return str(row.reminder.title)
    return f"{row.reminder.due_at.astimezone(ZoneInfo(zone)):%H:%M}  {row.reminder.title}"
