"""A calendar file (RFC 5545) as calendar programs subscribe to it. The same entries give the same bytes."""

import datetime as dt
from collections.abc import Iterable
from typing import Any

from django.conf import settings
from django.utils.translation import gettext as _
from icalendar import Alarm, Calendar, Event

from scheduling.models import CalendarFeed, FeedEntry

PRODUCT = "-//Broodtide//Calendar feed//EN"
HOST = "broodtide"
REFRESH = dt.timedelta(hours=1)


def feed_file(feed: CalendarFeed, entries: Iterable[FeedEntry]) -> bytes:
    """Write the feed: moments in UTC, whole days as days, lines ended and folded as the standard wants."""
    calendar = Calendar()
    calendar.add("prodid", PRODUCT)
    calendar.add("version", "2.0")
    calendar.add("calscale", "GREGORIAN")
    calendar.add("method", "PUBLISH")
    name = _("Bench: %(bench)s") % {"bench": feed.bench} if feed.bench else _("Broodtide")
    calendar.add("name", name)  # RFC 7986; the next one for programs that are older
    calendar.add("x-wr-calname", name)
    calendar.add("x-wr-timezone", feed.person.time_zone or feed.cooperative.time_zone)
    calendar.add("refresh-interval", REFRESH, parameters={"VALUE": "DURATION"})
    calendar.add("x-published-ttl", "PT1H")
    for entry in sorted(entries, key=lambda entry: entry.key):
        calendar.add_component(_event(feed, entry))
    return bytes(calendar.to_ical(sorted=False))


def _event(feed: CalendarFeed, entry: FeedEntry) -> Event:
    content = entry.content
    event = Event()
    event.add("uid", f"{entry.key}.{feed.pk}@{HOST}")
    event.add("dtstamp", entry.changed_at.replace(microsecond=0))
    event.add("created", entry.created_at.replace(microsecond=0))
    event.add("last-modified", entry.changed_at.replace(microsecond=0))
    event.add("sequence", entry.sequence)
    event.add("dtstart", _when(content, "start"))
    event.add("dtend", _when(content, "end"))
    event.add("summary", content["title"])
    if content["text"]:
        event.add("description", content["text"])
    if content["link"]:
        event.add("url", settings.SITE_URL.rstrip("/") + content["link"])
    event.add("transp", "OPAQUE" if content["busy"] else "TRANSPARENT")
    event.add("x-microsoft-cdo-busystatus", "BUSY" if content["busy"] else "FREE")
    event.add("status", "CANCELLED" if entry.cancelled_at else "CONFIRMED")
    if entry.cancelled_at is None:
        for minutes in content["alarms_min"]:
            event.add_component(_alarm(content["title"], minutes))
    return event


def _alarm(title: str, minutes: int) -> Alarm:
    alarm = Alarm()
    alarm.add("action", "DISPLAY")
    alarm.add("description", title)
    alarm.add("trigger", dt.timedelta(minutes=minutes))
    return alarm


def _when(content: dict[str, Any], name: str) -> dt.date | dt.datetime:
    if content["all_day"]:
        return dt.date.fromisoformat(content[name])
    return dt.datetime.fromisoformat(content[name]).astimezone(dt.UTC).replace(microsecond=0)
