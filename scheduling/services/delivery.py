"""Telling people what is due. Rows are the truth; this may run in any number of copies, and die anywhere.

Steps of a tick, each in its own short transaction (offers of places whose time is up go on before):
1. due reminders get their deliveries (the in-app one counts as sent by being there);
2. pending deliveries are claimed with a lease;
3. each claimed one is checked again (still wanted?), marked `sending`, handed over outside any
   transaction, marked `sent`, or `retry` with a growing pause, or given up and shown as such.
Whoever dies between hand-over and mark leaves `sending` with a lease that runs out: a critical
message is then sent again under the same Message-ID, a routine one is left `in_doubt`.
"""

import datetime as dt
import logging
import smtplib
import time
from collections.abc import Callable

from django.conf import settings
from django.core.mail import EmailMultiAlternatives
from django.db import connection, transaction
from django.db.models import F, Min, Q
from django.template.loader import render_to_string
from django.utils import timezone

from accounts.models import Channel, NotificationWish, Person
from scheduling.models import Delivery, DeliveryState, Heartbeat, Reminder, ReminderState
from scheduling.services.offers import offers_lapse

log = logging.getLogger(__name__)

LEASE = dt.timedelta(seconds=60)
PAUSES = [dt.timedelta(seconds=s) for s in (30, 120, 600, 1800, 3600, 7200, 14400)]
MAX_ATTEMPTS = len(PAUSES) + 1
HEARTBEAT = "reminders"

Sender = Callable[[Delivery], None]


def database_now() -> dt.datetime:
    """The one clock that due times are compared with, whatever the clocks of the workers say."""
    if connection.vendor == "postgresql":
        with connection.cursor() as cursor:
            cursor.execute("SELECT clock_timestamp()")
            moment: dt.datetime = cursor.fetchone()[0]
            return moment
    return timezone.now()  # SQLite has no clock but the machine's


def deliver_due(*, now: dt.datetime, limit: int = 200, send: Sender | None = None) -> int:
    """One tick: tell what is due. Returns how many deliveries were handed over."""
    began = time.monotonic()

    def moment() -> dt.datetime:
        """A slow mail server may hold a tick for minutes: each row is judged by the time it is."""
        return now + dt.timedelta(seconds=time.monotonic() - began)

    offers_lapse(now=now)
    told = _write_deliveries(now=now, limit=limit)
    lease = now + LEASE
    claimed = _claim(now=now, limit=limit)
    handed_over = sum(
        _hand_over(delivery_id, lease=lease, moment=moment, send=send or send_mail) for delivery_id in claimed
    )
    _beat(now=now)
    log.debug("tick: %s reminders told, %s deliveries handed over", told, handed_over)
    return handed_over


def _write_deliveries(*, now: dt.datetime, limit: int) -> int:
    with transaction.atomic():
        due = list(
            Reminder.objects.select_for_update(skip_locked=True, of=("self",))
            .filter(state=ReminderState.WANTED, told_at__isnull=True, due_at__lte=now)
            .order_by("due_at", "pk")[:limit]
        )
        for reminder in due:
            if reminder.useful_until < now:
                reminder.state, reminder.ended_at = ReminderState.EXPIRED, now
            else:
                Delivery.objects.bulk_create(_deliveries_of(reminder, now=now), ignore_conflicts=True)
            reminder.told_at = now
            reminder.save(update_fields=["state", "ended_at", "told_at"])
    return len(due)


def recipients_of(reminder: Reminder) -> list[Person]:
    if reminder.person_id is not None:
        return list(Person.objects.filter(pk=reminder.person_id, is_active=True))
    return list(Person.objects.filter(members=reminder.member_id, is_active=True)) if reminder.member_id else []


def _deliveries_of(reminder: Reminder, *, now: dt.datetime) -> list[Delivery]:
    people = recipients_of(reminder)
    unwanted = set(
        NotificationWish.objects.filter(
            person__in=people, kind=reminder.kind, channel=Channel.MAIL, wanted=False
        ).values_list("person_id", flat=True)
    )
    rows = []
    for person in people:
        rows.append(
            Delivery(
                reminder=reminder,
                person=person,
                channel=Channel.INBOX,
                state=DeliveryState.SENT,
                sent_at=now,
                attempts=1,
            )
        )
        if person.email and person.pk not in unwanted:
            rows.append(Delivery(reminder=reminder, person=person, channel=Channel.MAIL, next_try_at=now))
    return rows


def _claim(*, now: dt.datetime, limit: int) -> list[int]:
    """Take a lease on what can be tried now. Rows left in `sending` by a dead worker are taken up too."""
    open_now = Q(state__in=[DeliveryState.PENDING, DeliveryState.RETRY], next_try_at__lte=now)
    left_behind = Q(state__in=[DeliveryState.CLAIMED, DeliveryState.SENDING], lease_until__lt=now)
    with transaction.atomic():
        rows = list(
            Delivery.objects.select_for_update(skip_locked=True, of=("self",))
            .select_related("reminder")
            .filter(open_now | left_behind)
            .order_by("next_try_at", "pk")[:limit]
        )
        doubtful = [row.pk for row in rows if row.state == DeliveryState.SENDING and not row.reminder.critical]
        Delivery.objects.filter(pk__in=doubtful).update(state=DeliveryState.IN_DOUBT, lease_until=None)
        # Whoever dies on a row each time must not do so for ever.
        hopeless = [row.pk for row in rows if row.attempts >= MAX_ATTEMPTS and row.pk not in doubtful]
        Delivery.objects.filter(pk__in=hopeless).update(state=DeliveryState.DEAD, lease_until=None)
        for pk in hopeless:
            log.error("delivery %s given up after %s tries: each ended in the middle", pk, MAX_ATTEMPTS)
        taken = [row.pk for row in rows if row.pk not in {*doubtful, *hopeless}]
        Delivery.objects.filter(pk__in=taken).update(
            state=DeliveryState.CLAIMED, lease_until=now + LEASE, attempts=F("attempts") + 1
        )
    return taken


def _hand_over(delivery_id: int, *, lease: dt.datetime, moment: Callable[[], dt.datetime], send: Sender) -> int:
    """Send one claimed delivery; a failing one gets its own pause and never delays the rest.

    `lease` : as it was claimed. Another one says that somebody else took the row up meanwhile.
    """
    with transaction.atomic():
        delivery = (
            Delivery.objects.select_for_update(of=("self",)).select_related("reminder", "person").get(pk=delivery_id)
        )
        if delivery.state != DeliveryState.CLAIMED or delivery.lease_until != lease:
            return 0
        reminder = delivery.reminder
        if reminder.state != ReminderState.WANTED or not delivery.person.is_active:
            _mark(delivery, DeliveryState.SUPERSEDED)
            return 0
        if reminder.useful_until < moment():
            _mark(delivery, DeliveryState.EXPIRED)
            return 0
        _mark(delivery, DeliveryState.SENDING, lease_until=moment() + LEASE)
    try:
        send(delivery)
    except (smtplib.SMTPException, OSError) as error:
        return _failed(delivery, now=lease - LEASE, problem=str(error))
    except Exception as error:
        # A row that cannot even be written (a bad header, say) must stop nothing but itself.
        log.exception("delivery %s broke", delivery.pk)
        return _failed(delivery, now=lease - LEASE, problem=f"{type(error).__name__}: {error}")
    delivery.sent_at = timezone.now()
    _mark(delivery, DeliveryState.SENT, "sent_at", "problem")
    return 1


def _failed(delivery: Delivery, *, now: dt.datetime, problem: str) -> int:
    delivery.problem = problem[:300]
    if delivery.attempts >= MAX_ATTEMPTS:
        log.error("delivery %s given up after %s tries: %s", delivery.pk, delivery.attempts, problem)
        _mark(delivery, DeliveryState.DEAD, "problem")
    else:
        delivery.next_try_at = now + PAUSES[delivery.attempts - 1]
        _mark(delivery, DeliveryState.RETRY, "problem", "next_try_at")
    return 0


def _mark(delivery: Delivery, state: str, *fields: str, lease_until: dt.datetime | None = None) -> None:
    delivery.state, delivery.lease_until = state, lease_until
    delivery.save(update_fields=["state", "lease_until", *fields])


def send_mail(delivery: Delivery) -> None:
    """One e-mail, under a Message-ID that stays the same however often it is tried."""
    context = {"delivery": delivery, "reminder": delivery.reminder, "site_url": settings.SITE_URL.rstrip("/")}
    message = EmailMultiAlternatives(
        subject=delivery.reminder.title,
        body=render_to_string("mail/reminder.txt", context),
        to=[delivery.person.email],
        headers={"Message-ID": f"<delivery-{delivery.pk}@broodtide>"},
    )
    message.attach_alternative(render_to_string("mail/reminder.html", context), "text/html")
    message.send()


def oldest_overdue_seconds(*, now: dt.datetime) -> float:
    """Age of the oldest thing that should have been told and was not, in seconds."""
    waiting = [
        Reminder.objects.filter(state=ReminderState.WANTED, told_at__isnull=True, due_at__lte=now).aggregate(
            oldest=Min("due_at")
        )["oldest"],
        Delivery.objects.filter(
            state__in=[DeliveryState.PENDING, DeliveryState.RETRY, DeliveryState.CLAIMED],
            next_try_at__lte=now,
        ).aggregate(oldest=Min("next_try_at"))["oldest"],
    ]
    return max(((now - moment).total_seconds() for moment in waiting if moment is not None), default=0.0)


def _beat(*, now: dt.datetime) -> None:
    Heartbeat.objects.update_or_create(
        name=HEARTBEAT, defaults={"at": now, "oldest_overdue_seconds": oldest_overdue_seconds(now=now)}
    )
