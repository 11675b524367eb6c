"""Reminders as a person sees them: what is due, late, to come."""

import datetime as dt
from dataclasses import dataclass

from django.db.models import Q, QuerySet

from accounts.access import Viewer, can_watch_reminders
from accounts.models import Channel
from scheduling.models import Delivery, Reminder, ReminderState
from scheduling.reminder_kinds import KINDS, SUMMARY, Kind

LATE_AFTER = dt.timedelta(hours=2)
NEWS = [kind.key for kind in KINDS.values() if kind.is_news]
# What somebody still has to do or read: a step that was missed stays, news whose day is over does not.
OPEN = (Q(state=ReminderState.WANTED) | Q(state=ReminderState.EXPIRED) & ~Q(kind__in=NEWS)) & ~Q(kind=SUMMARY)


@dataclass(frozen=True)
class ShownReminder:
    """One reminder with its state as of now: coming, due, late, put_off, done or let_go."""

    reminder: Reminder
    kind: Kind
    state: str

    @property
    def is_news(self) -> bool:
        """Something to read, not something to do."""
        return self.kind.is_news

    @property
    def is_to_acknowledge(self) -> bool:
        """It is passed on to others until somebody says that they are on it."""
        open_states = self.reminder.state == ReminderState.WANTED and self.state in {"due", "late", "coming", "put_off"}
        return self.kind.passes_on and open_states


def reminders_seen_by(viewer: Viewer) -> QuerySet[Reminder]:
    """Those of the person and of the members the person acts for, and what was passed on to the person.

    Each of the three is found by an index of its own; as alternatives in one question they would be looked for among
    everybody's reminders of all years.
    """
    own = Reminder.objects.filter(person=viewer.person).order_by().values("pk")
    of_members = Reminder.objects.filter(person__isnull=True, member__in=viewer.member_ids).order_by().values("pk")
    passed_on = Delivery.objects.filter(person=viewer.person, channel=Channel.INBOX).order_by().values("reminder")
    seen = own.union(of_members, passed_on, all=True)
    return Reminder.objects.filter(cooperative=viewer.cooperative, pk__in=seen)


def reminders_settled_by(viewer: Viewer) -> QuerySet[Reminder]:
    """Those that the viewer may say are done: what the viewer sees, and for coordinators everybody's."""
    if can_watch_reminders(viewer):
        return Reminder.objects.filter(cooperative=viewer.cooperative)
    return reminders_seen_by(viewer)


def shown(reminder: Reminder, *, now: dt.datetime) -> ShownReminder:
    return ShownReminder(reminder, KINDS[reminder.kind], shown_state(reminder, now=now))


def shown_state(reminder: Reminder, *, now: dt.datetime) -> str:
    if reminder.state != ReminderState.WANTED:
        return {ReminderState.EXPIRED: "late"}.get(ReminderState(reminder.state), reminder.state)
    if reminder.acknowledged_at is not None:
        return "acknowledged"
    if reminder.due_at > now:
        return "put_off" if reminder.due_at != reminder.base_due_at else "coming"
    is_late = now > reminder.due_at + LATE_AFTER and reminder.kind not in NEWS
    return "late" if is_late else "due"


def open_reminders(viewer: Viewer, *, now: dt.datetime, until: dt.datetime | None = None) -> list[ShownReminder]:
    """What still needs the viewer, the most pressing first; missed ones stay until somebody lets them go."""
    rows = reminders_seen_by(viewer).filter(OPEN)
    if until is not None:
        rows = rows.filter(due_at__lte=until)
    return [shown(row, now=now) for row in rows.order_by("due_at", "pk")]


def ended_reminders(viewer: Viewer, *, now: dt.datetime, since: dt.datetime) -> list[ShownReminder]:
    rows = reminders_seen_by(viewer).filter(state__in=[ReminderState.DONE, ReminderState.LET_GO], ended_at__gte=since)
    return [shown(row, now=now) for row in rows.select_related("ended_by").order_by("-ended_at", "-pk")[:50]]


def due_count(viewer: Viewer, *, now: dt.datetime) -> int:
    """For the badge: how many are due or late now."""
    return reminders_seen_by(viewer).filter(OPEN, due_at__lte=now).count()
