"""One mail in the morning instead of single routine ones, for those who ask for it: a row like every other reminder."""

import datetime as dt
from zoneinfo import ZoneInfo

from django.db import transaction
from django.urls import reverse

from accounts.access import viewer_of
from accounts.models import Cooperative, Person
from accounts.services.audit import audit_record, fields_of
from accounts.told import told as _
from scheduling.models import Reminder
from scheduling.planning.timing import days_later, elapsed_hours
from scheduling.queries.tellings import zone_of_person
from scheduling.reminder_kinds import SUMMARY
from scheduling.services.reminder_rows import LIVE, Wall, Wanted, reminders_set

KEPT_HOURS = 6  # a mail that is tried again still belongs to its morning


def summary_set(
    person: Person, *, at: dt.time | None, cooperative: Cooperative, by: Person, now: dt.datetime
) -> Person:
    """Set the local hour of a person's summary; None: routine reminders come singly again."""
    with transaction.atomic():
        before = fields_of(person, ["summary_at"])
        if before == {"summary_at": at}:
            return person
        person.summary_at = at
        person.save(update_fields=["summary_at"])
        audit_record(
            person,
            action="summary.set",
            by=by,
            now=now,
            cooperative=cooperative,
            before=before,
            after=fields_of(person, ["summary_at"]),
        )
        _put_in_line(person, cooperative, now=now)
    return person


def summaries_write(*, now: dt.datetime) -> int:
    """Put everybody's coming summary in line, a day ahead. Twice is once. Returns how many people have one."""
    people = list(Person.objects.filter(summary_at__isnull=False, is_active=True).order_by("pk"))
    for person in people:
        viewer = viewer_of(person)
        if viewer is not None:
            with transaction.atomic():
                _put_in_line(person, viewer.cooperative, now=now)
    return len(people)


def _put_in_line(person: Person, cooperative: Cooperative, *, now: dt.datetime) -> None:
    reminders_set(person, _wanted(person, cooperative, now), cooperative=cooperative, kinds=[SUMMARY], now=now)


def _wanted(person: Person, cooperative: Cooperative, now: dt.datetime) -> list[Wanted]:
    """The coming one, and today's while it is on its way; a morning that is over is not made up for."""
    if person.summary_at is None:
        return []
    in_line = set(Reminder.objects.filter(person=person, kind=SUMMARY, state__in=LIVE).values_list("due_at", flat=True))
    zone = zone_of_person(person, cooperative)
    today = now.astimezone(ZoneInfo(zone)).date()
    walls = [Wall(days_later(today, days), person.summary_at, zone) for days in (0, 1)]
    return [
        Wanted(
            kind=SUMMARY,
            stage=f"{wall.date}",
            person=person,
            due_at=wall.moment,
            wall=wall,
            title=_("What is due on %(day)s") % {"day": wall.date},
            why="",
            link=reverse("scheduling:reminders"),
        )
        for wall in walls
        if wall.moment > now or (wall.moment in in_line and elapsed_hours(wall.moment, now) < KEPT_HOURS)
    ]
