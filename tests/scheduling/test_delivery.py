"""Telling people what is due: once, at the right minute, whatever breaks in between."""

import datetime as dt

import pytest
from django.core import mail
from django.db import transaction
from django.db.models import QuerySet

from accounts.access import viewer_of
from accounts.models import AuditEntry, Channel, NotificationWish, Person
from accounts.refusals import Refusal
from scheduling.models import Delivery, DeliveryState, Heartbeat, Reminder, ReminderState
from scheduling.queries.reminders import due_count, open_reminders
from scheduling.services.delivery import MAX_ATTEMPTS, PAUSES, deliver_due, oldest_overdue_seconds
from scheduling.services.reminder_rows import (
    Wanted,
    reminder_done,
    reminder_put_off,
    reminder_take_back,
    reminders_set,
)
from tests.factories import NOW, MemberPersonFactory, PersonFactory, QueenBatchFactory, ReminderFactory

pytestmark = pytest.mark.django_db

MINUTE = dt.timedelta(minutes=1)


@pytest.fixture
def reminder() -> Reminder:
    reminder = ReminderFactory()
    MemberPersonFactory(member=reminder.member, person=PersonFactory(email="ane@example.org"))
    return reminder


def persons_of(reminder: Reminder) -> QuerySet[Person]:
    return Person.objects.filter(members=reminder.member_id)


def states(reminder: Reminder) -> dict[str, str]:
    return dict(reminder.deliveries.values_list("channel", "state"))


def test_nothing_is_told_before_its_minute(reminder: Reminder) -> None:
    assert deliver_due(now=NOW - MINUTE) == 0
    assert states(reminder) == {}
    assert mail.outbox == []


def test_a_due_reminder_is_told_once_in_the_app_and_by_mail(reminder: Reminder) -> None:
    assert [deliver_due(now=NOW), deliver_due(now=NOW + MINUTE), deliver_due(now=NOW + MINUTE)] == [1, 0, 0]
    assert states(reminder) == {"inbox": "sent", "mail": "sent"}
    [message] = mail.outbox
    assert message.to == ["ane@example.org"]
    assert message.subject == "Cage the ripe cells of Rowan 1"
    delivery = reminder.deliveries.get(channel=Channel.MAIL)
    assert message.extra_headers["Message-ID"] == f"<delivery-{delivery.pk}@broodtide>"


def test_only_persons_of_the_member_are_told(reminder: Reminder) -> None:
    MemberPersonFactory(person=PersonFactory(email="stranger@example.org"))
    MemberPersonFactory(member=reminder.member, person=PersonFactory(email="gone@example.org", is_active=False))
    deliver_due(now=NOW)
    assert [message.to for message in mail.outbox] == [["ane@example.org"]]


def test_whoever_wants_no_mail_still_finds_it_in_the_app(reminder: Reminder) -> None:
    person = persons_of(reminder).get()
    NotificationWish.objects.create(person=person, kind=reminder.kind, channel=Channel.MAIL, wanted=False)
    deliver_due(now=NOW)
    assert states(reminder) == {"inbox": "sent"}


def test_a_reminder_that_came_too_late_is_missed_not_sent(reminder: Reminder) -> None:
    deliver_due(now=reminder.useful_until + MINUTE)
    reminder.refresh_from_db()
    assert (reminder.state, states(reminder), mail.outbox) == (ReminderState.EXPIRED, {}, [])


def test_a_missed_step_stays_open_and_news_of_a_day_gone_by_does_not(reminder: Reminder) -> None:
    ReminderFactory(member=reminder.member, kind="place_given", critical=False)
    later = reminder.useful_until + MINUTE
    deliver_due(now=later)
    viewer = viewer_of(persons_of(reminder).get())
    assert viewer is not None
    assert [(row.kind.key, row.state) for row in open_reminders(viewer, now=later)] == [("cage_cells", "late")]
    assert due_count(viewer, now=later) == 1


def test_a_failing_mail_is_tried_again_with_growing_pauses_and_then_given_up(reminder: Reminder) -> None:
    def refuse(_: Delivery) -> None:
        raise OSError("relay away")

    Reminder.objects.filter(pk=reminder.pk).update(useful_until=NOW + dt.timedelta(days=3))
    now = NOW
    deliver_due(now=now, send=refuse)
    for pause in PAUSES:
        delivery = reminder.deliveries.get(channel=Channel.MAIL)
        assert (delivery.state, delivery.next_try_at) == (DeliveryState.RETRY, now + pause)
        assert deliver_due(now=now + pause - dt.timedelta(seconds=1), send=refuse) == 0
        now += pause
        deliver_due(now=now, send=refuse)
    delivery = reminder.deliveries.get(channel=Channel.MAIL)
    assert (delivery.state, delivery.attempts, delivery.problem) == (
        DeliveryState.DEAD,
        MAX_ATTEMPTS,
        "relay away",
    )


def test_one_bad_row_does_not_delay_the_others(reminder: Reminder) -> None:
    other = ReminderFactory(member=reminder.member, title="Graft", kind="graft", critical=False)
    sent = []

    def refuse_first(delivery: Delivery) -> None:
        if delivery.reminder_id == reminder.pk:
            raise OSError("mailbox full")
        sent.append(delivery.reminder_id)

    assert deliver_due(now=NOW, send=refuse_first) == 1
    assert sent == [other.pk]


def test_a_row_that_cannot_even_be_written_stops_nothing_but_itself(reminder: Reminder) -> None:
    other = ReminderFactory(member=reminder.member, title="Graft", kind="graft", critical=False)

    def break_first(delivery: Delivery) -> None:
        if delivery.reminder_id == reminder.pk:
            raise ValueError("header with a line break")

    assert deliver_due(now=NOW, send=break_first) == 1
    delivery = reminder.deliveries.get(channel=Channel.MAIL)
    assert (delivery.state, delivery.problem) == (DeliveryState.RETRY, "ValueError: header with a line break")
    assert states(other)["mail"] == DeliveryState.SENT
    assert Heartbeat.objects.get().at == NOW


def test_a_row_that_somebody_else_took_up_meanwhile_is_left_to_them(reminder: Reminder) -> None:
    """The server holds the first mail for minutes; its neighbour's lease runs out and another worker takes it."""
    other = ReminderFactory(member=reminder.member, due_at=NOW - MINUTE, kind="graft")
    sent = []

    def slow(delivery: Delivery) -> None:
        sent.append(delivery.reminder_id)
        if delivery.reminder_id == other.pk:
            later = NOW + dt.timedelta(seconds=61)
            deliver_due(now=later, send=lambda again: sent.append(again.reminder_id))

    deliver_due(now=NOW, send=slow)
    assert sent.count(reminder.pk) == 1
    assert states(reminder)["mail"] == DeliveryState.SENT


def test_what_ends_in_the_middle_each_time_is_given_up(reminder: Reminder) -> None:
    crash_in_the_middle(reminder)
    reminder.deliveries.filter(channel=Channel.MAIL).update(attempts=MAX_ATTEMPTS)
    assert deliver_due(now=NOW + dt.timedelta(seconds=61)) == 0
    assert states(reminder)["mail"] == DeliveryState.DEAD


class Crash(BaseException):
    """The worker is killed."""


def crash_in_the_middle(reminder: Reminder) -> None:
    def die(_: Delivery) -> None:
        raise Crash

    with pytest.raises(Crash):
        deliver_due(now=NOW, send=die)
    assert reminder.deliveries.get(channel=Channel.MAIL).state == DeliveryState.SENDING


def test_after_a_crash_a_critical_message_goes_out_again_under_the_same_id(reminder: Reminder) -> None:
    crash_in_the_middle(reminder)
    assert deliver_due(now=NOW + dt.timedelta(seconds=30)) == 0
    assert deliver_due(now=NOW + dt.timedelta(seconds=61)) == 1
    delivery = reminder.deliveries.get(channel=Channel.MAIL)
    assert delivery.state == DeliveryState.SENT
    assert mail.outbox[0].extra_headers["Message-ID"] == f"<delivery-{delivery.pk}@broodtide>"


def test_after_a_crash_a_routine_message_is_left_in_doubt(reminder: Reminder) -> None:
    Reminder.objects.filter(pk=reminder.pk).update(critical=False, kind="graft")
    crash_in_the_middle(reminder)
    assert deliver_due(now=NOW + dt.timedelta(seconds=61)) == 0
    assert states(reminder)["mail"] == DeliveryState.IN_DOUBT


def test_done_between_claim_and_sending_stops_the_mail(reminder: Reminder) -> None:
    other = ReminderFactory(member=reminder.member, due_at=NOW - MINUTE, kind="graft")

    def done_meanwhile(delivery: Delivery) -> None:
        if delivery.reminder_id == other.pk:
            Reminder.objects.filter(pk=reminder.pk).update(state=ReminderState.DONE)

    assert deliver_due(now=NOW, send=done_meanwhile) == 1
    assert states(reminder)["mail"] == DeliveryState.SUPERSEDED


def test_each_tick_leaves_its_heartbeat(reminder: Reminder) -> None:
    assert oldest_overdue_seconds(now=NOW + MINUTE) == 60
    deliver_due(now=NOW + MINUTE)
    assert Heartbeat.objects.values_list("name", "at", "oldest_overdue_seconds").get() == (
        "reminders",
        NOW + MINUTE,
        0,
    )


def want(due_at: dt.datetime, **changes: object) -> Wanted:
    fields = {"kind": "cage_cells", "due_at": due_at, "title": "Cage", "why": "ripe"} | changes
    return Wanted(**fields)  # type: ignore[arg-type]


def set_on(batch: object, *wanted: Wanted, done: tuple[str, ...] = ()) -> list[Reminder]:
    with transaction.atomic():
        return reminders_set(
            batch,  # type: ignore[arg-type]
            wanted,
            cooperative=batch.season.cooperative,  # type: ignore[attr-defined]
            kinds=["cage_cells", "graft"],
            now=NOW,
            done_kinds=done,
        )


def test_setting_the_same_reminders_twice_writes_them_once() -> None:
    batch = QueenBatchFactory()
    later = NOW + dt.timedelta(days=1)
    assert len(set_on(batch, want(later, member=batch.member))) == 1
    assert set_on(batch, want(later, member=batch.member)) == []
    assert Reminder.objects.count() == 1


def test_a_moved_due_supersedes_the_old_row_in_the_same_step() -> None:
    batch = QueenBatchFactory()
    [old] = set_on(batch, want(NOW + dt.timedelta(days=1), member=batch.member))
    [new] = set_on(batch, want(NOW + dt.timedelta(days=2), member=batch.member))
    old.refresh_from_db()
    assert (old.state, old.replaced_by) == (ReminderState.SUPERSEDED, new)
    assert Reminder.objects.filter(state=ReminderState.WANTED).get() == new


def test_a_recorded_step_ends_its_reminder_as_done() -> None:
    batch = QueenBatchFactory()
    [old] = set_on(batch, want(NOW + dt.timedelta(days=1), member=batch.member))
    set_on(batch, want(NOW + dt.timedelta(days=1), member=batch.member), done=("cage_cells",))
    old.refresh_from_db()
    assert old.state == ReminderState.DONE


def test_what_was_recorded_afterwards_reminds_nobody() -> None:
    batch = QueenBatchFactory()
    assert set_on(batch, want(NOW - dt.timedelta(days=20), member=batch.member)) == []


def test_what_a_person_ended_does_not_come_back() -> None:
    batch = QueenBatchFactory()
    due = NOW + dt.timedelta(hours=1)
    [row] = set_on(batch, want(due, member=batch.member))
    reminder_done(row, by=PersonFactory(), now=NOW)
    assert set_on(batch, want(due, member=batch.member)) == []


def test_done_twice_is_once_and_can_be_taken_back(reminder: Reminder) -> None:
    person = persons_of(reminder).get()
    reminder_done(reminder, by=person, now=NOW)
    reminder_done(reminder, by=person, now=NOW)
    assert AuditEntry.objects.filter(action="reminder.done").count() == 1
    reminder_take_back(reminder, by=person, now=NOW)
    reminder.refresh_from_db()
    assert reminder.state == ReminderState.WANTED


def test_put_off_tells_again_later_and_never_after_it_is_of_use(reminder: Reminder) -> None:
    person = persons_of(reminder).get()
    with pytest.raises(Refusal, match="too late"):
        reminder_put_off(reminder, until=reminder.useful_until + MINUTE, by=person, now=NOW)
    later = reminder_put_off(reminder, until=NOW + dt.timedelta(hours=3), by=person, now=NOW)
    assert deliver_due(now=NOW + dt.timedelta(hours=2)) == 0
    assert deliver_due(now=NOW + dt.timedelta(hours=3)) == 1
    assert states(later) == {"inbox": "sent", "mail": "sent"}
    assert states(reminder) == {}
