"""Reminders of the whole cooperative, for its coordinators: what is due, what failed, how late things were."""

import datetime as dt
from dataclasses import dataclass

from django.db.models import F, QuerySet
from django.utils.formats import number_format
from django.utils.translation import gettext as _

from accounts.access import Viewer
from accounts.models import Channel, Cooperative, Person
from scheduling.models import Delivery, DeliveryState, Reminder, ReminderState
from scheduling.planning.timing import elapsed_after
from scheduling.queries.reminders import ShownReminder, shown
from scheduling.reminder_kinds import SUMMARY

COMING_HOURS = 48
LOOK_BACK_DAYS = 30
PROMPT_SECONDS, LATEST_SECONDS = 60, 300
ROWS = 100
NOT_THROUGH = [DeliveryState.DEAD, DeliveryState.IN_DOUBT, DeliveryState.RETRY]


@dataclass(frozen=True)
class ServiceLevel:
    """How promptly messages of one sort were handed over.

    `prompt_share`, `in_time_share` : of those whose moment came, within 60 s and within 5 min; None without any.
    """

    is_critical: bool
    due: int
    prompt_share: float | None
    in_time_share: float | None
    median_seconds: float | None
    p99_seconds: float | None

    @property
    def median_words(self) -> str:
        return _lateness_words(self.median_seconds)

    @property
    def p99_words(self) -> str:
        return _lateness_words(self.p99_seconds)

    @property
    def prompt_percent(self) -> float | None:
        return None if self.prompt_share is None else 100 * self.prompt_share

    @property
    def in_time_percent(self) -> float | None:
        return None if self.in_time_share is None else 100 * self.in_time_share


@dataclass(frozen=True)
class Watch:
    held: list[Reminder]
    unanswered: list[ShownReminder]
    coming: list[ShownReminder]
    not_through: list[Delivery]
    missed: list[Reminder]
    paused: list[Person]
    levels: list[ServiceLevel]

    @property
    def needs_somebody(self) -> int:
        """How many things on the page wait for the coordinator."""
        return len(self.held) + len(self.unanswered) + len(self.not_through)


def watch_of(viewer: Viewer, *, now: dt.datetime) -> Watch:
    """Everything of the page. For coordinators alone: rows of every member are in it."""
    rows = Reminder.objects.filter(cooperative=viewer.cooperative).select_related("member", "person", "acknowledged_by")
    wanted = rows.filter(state=ReminderState.WANTED, held_at__isnull=True).exclude(kind=SUMMARY)
    since = now - dt.timedelta(days=LOOK_BACK_DAYS)
    coming_until = elapsed_after(now, COMING_HOURS)
    due = [shown(row, now=now) for row in wanted.filter(critical=True, due_at__lte=now).order_by("due_at", "pk")[:ROWS]]
    return Watch(
        held=list(rows.filter(state=ReminderState.WANTED, held_at__isnull=False).order_by("due_at", "pk")[:ROWS]),
        unanswered=[row for row in due if row.kind.passes_on and row.state != "acknowledged"],
        coming=[
            shown(row, now=now)
            for row in wanted.filter(due_at__gt=now, due_at__lte=coming_until).order_by("due_at", "pk")[:ROWS]
        ],
        not_through=list(not_through(viewer.cooperative).filter(due_at__gte=since)[:ROWS]),
        missed=list(
            rows.filter(state=ReminderState.EXPIRED, told_at__isnull=True, due_at__gte=since).order_by(
                "-due_at", "-pk"
            )[:ROWS]
        ),
        paused=list(people_of(viewer.cooperative).filter(reminders_paused_until__gt=now).order_by("name", "pk")),
        levels=service_levels(viewer.cooperative, since=since, now=now),
    )


def not_through(cooperative: Cooperative) -> QuerySet[Delivery]:
    """Messages that failed, most recent first; what became of no use meanwhile is not among them."""
    return (
        Delivery.objects.filter(
            reminder__cooperative=cooperative, state__in=NOT_THROUGH, reminder__state=ReminderState.WANTED
        )
        .select_related("reminder__member", "person")
        .order_by("-due_at", "-pk")
    )


def people_of(cooperative: Cooperative) -> QuerySet[Person]:
    """Everybody who belongs to it, by a member or by a role."""
    by_member = Person.objects.filter(members__cooperative=cooperative, members__left_on__isnull=True)
    by_role = Person.objects.filter(role_grants__cooperative=cooperative)
    everybody = by_member.order_by().values("pk").union(by_role.order_by().values("pk"))
    return Person.objects.filter(pk__in=everybody, is_active=True)


def service_levels(cooperative: Cooperative, *, since: dt.datetime, now: dt.datetime) -> list[ServiceLevel]:
    """Of the critical messages that left the app, or should have, and of the others: those on their way, given up or
    in doubt count as late.
    """
    # Found by their moment, of which there is an index: whose they are is reckoned, so that SQLite does not begin with
    # all reminders of the cooperative.
    rows = Delivery.objects.alias(whose=F("reminder__cooperative") + 0).filter(
        due_at__gte=since, due_at__lte=now, whose=cooperative.pk
    )
    rows = rows.exclude(channel=Channel.INBOX).exclude(state__in=[DeliveryState.SUPERSEDED, DeliveryState.HELD])
    moments = list(rows.order_by().values_list("reminder__critical", "due_at", "sent_at"))
    return [
        _level(is_critical, [(due, sent) for critical, due, sent in moments if critical == is_critical])
        for is_critical in (True, False)
    ]


def _level(is_critical: bool, moments: list[tuple[dt.datetime | None, dt.datetime | None]]) -> ServiceLevel:
    late = sorted((sent - due).total_seconds() for due, sent in moments if due and sent)
    if not moments:
        return ServiceLevel(is_critical, 0, None, None, None, None)
    return ServiceLevel(
        is_critical,
        len(moments),
        sum(seconds <= PROMPT_SECONDS for seconds in late) / len(moments),
        sum(seconds <= LATEST_SECONDS for seconds in late) / len(moments),
        _quantile(late, 0.5),
        _quantile(late, 0.99),
    )


def _quantile(ordered: list[float], share: float) -> float | None:
    """The smallest value that at least this share of them does not exceed."""
    if not ordered:
        return None
    return ordered[min(len(ordered) - 1, max(0, -int(-share * len(ordered) // 1) - 1))]


def _lateness_words(seconds: float | None) -> str:
    if seconds is None:
        return "–"
    if seconds < 2 * 60:
        return _("%(n)s s") % {"n": number_format(round(seconds, 1))}
    if seconds < 2 * 3600:
        return _("%(n)s min") % {"n": number_format(round(seconds / 60))}
    return _("%(n)s h") % {"n": number_format(round(seconds / 3600))}
