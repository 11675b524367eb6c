"""Telling people what is due: once, at the right minute, whatever breaks in between."""

import datetime as dt
from collections.abc import Sequence

import pytest
from django.core import mail
from django.db import transaction
from django.db.models import QuerySet

from accounts.access import viewer_of
from accounts.models import AuditEntry, Channel, NotificationWish, Person
from accounts.refusals import Refusal
from scheduling.models import Delivery, DeliveryState, Heartbeat, Reminder, ReminderState
from scheduling.queries.health import oldest_overdue_seconds
from scheduling.queries.reminders import due_count, open_reminders
from scheduling.services.channels import PROVIDERS, InDoubt, Refused
from scheduling.services.delivery import MAX_ATTEMPTS, PAUSES, deliver_due
from scheduling.services.reminder_rows import (
    Wanted,
    reminder_done,
    reminder_put_off,
    reminder_take_back,
    reminders_set,
)
from scheduling.services.telling_key import telling_key
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
    assert message.extra_headers["Message-ID"] == f"<{telling_key(delivery)}@broodtide>"


def test_only_persons_of_the_member_are_told(reminder: Reminder) -> None:
    MemberPersonFactory(person=PersonFactory(email="stranger@example.org"))
    MemberPersonFactory(member=reminder.member, person=PersonFactory(email="gone@example.org", is_active=False))
    deliver_due(now=NOW)
    assert [message.to for message in mail.outbox] == [["ane@example.org"]]


def test_whoever_wants_no_mail_still_finds_it_in_the_app(reminder: Reminder) -> None:
    person = persons_of(reminder).get()
    Reminder.objects.filter(pk=reminder.pk).update(kind="egg_check", critical=False)
    NotificationWish.objects.create(person=person, kind="egg_check", channel=Channel.MAIL, wanted=False)
    deliver_due(now=NOW)
    assert states(reminder) == {"inbox": "sent"}


def test_of_a_critical_kind_one_way_out_of_the_app_always_stays(reminder: Reminder) -> None:
    person = persons_of(reminder).get()
    NotificationWish.objects.create(person=person, kind=reminder.kind, channel=Channel.MAIL, wanted=False)
    deliver_due(now=NOW)
    assert states(reminder) == {"inbox": "sent", "mail": "sent"}


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

    Reminder.objects.filter(pk=reminder.pk).update(kind="egg_check", useful_until=NOW + dt.timedelta(days=3))
    now = NOW
    deliver_due(now=now, send=refuse)
    for number, pause in enumerate(PAUSES, start=1):
        delivery = reminder.deliveries.get(channel=Channel.MAIL)
        assert delivery.next_try_at is not None
        assert (delivery.state, delivery.attempts) == (DeliveryState.RETRY, number)
        assert pause <= delivery.next_try_at - now < pause + MINUTE
        deliver_due(now=delivery.next_try_at - dt.timedelta(seconds=1), send=refuse)
        assert reminder.deliveries.get(channel=Channel.MAIL).attempts == number
        now = delivery.next_try_at
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
    assert NOW <= Heartbeat.objects.get().at < NOW + MINUTE


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
    assert mail.outbox[0].extra_headers["Message-ID"] == f"<{telling_key(delivery)}@broodtide>"


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
    beat = Heartbeat.objects.get()
    assert (beat.name, beat.oldest_overdue_seconds) == ("reminders", 0)
    assert NOW + MINUTE <= beat.at < NOW + 2 * MINUTE
    deliver_due(now=NOW)
    assert Heartbeat.objects.get().at == beat.at, "a slow one never sets the time back"


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


def test_a_retry_whose_use_is_over_meanwhile_is_missed_not_sent(reminder: Reminder) -> None:
    def refuse(_: Delivery) -> None:
        raise OSError("relay away")

    deliver_due(now=NOW, send=refuse)
    assert states(reminder)["mail"] == DeliveryState.RETRY
    assert deliver_due(now=reminder.useful_until + MINUTE) == 0
    assert (states(reminder)["mail"], mail.outbox) == (DeliveryState.EXPIRED, [])


class SomeOfThem:
    """A provider that takes several rows in one call, and not all of them."""

    batch = 10

    def send(self, deliveries: Sequence[Delivery]) -> list[Exception | None]:
        answers = [None, OSError("busy"), Refused("no such address"), InDoubt("cut off")]
        return [answers[number % len(answers)] for number in range(len(deliveries))]

    def close(self) -> None:
        """Nothing is kept open."""


def test_each_row_of_one_call_gets_its_own_answer(reminder: Reminder, monkeypatch: pytest.MonkeyPatch) -> None:
    others: list[Reminder] = ReminderFactory.create_batch(3, member=reminder.member, kind="graft", critical=False)
    monkeypatch.setitem(PROVIDERS, Channel.MAIL, SomeOfThem)
    assert deliver_due(now=NOW) == 1
    assert [states(row)["mail"] for row in [reminder, *others]] == [
        DeliveryState.SENT,
        DeliveryState.RETRY,
        DeliveryState.DEAD,
        DeliveryState.IN_DOUBT,
    ]
    held = Delivery.objects.filter(reminder__in=[reminder, *others]).values_list("claim", "lease_until")
    assert set(held) == {(None, None)}


def test_what_stands_already_is_not_taken_back(reminder: Reminder) -> None:
    assert reminder_take_back(reminder, by=persons_of(reminder).get(), now=NOW) == reminder
    assert not AuditEntry.objects.filter(action="reminder.take_back").exists()


def test_put_off_there_and_back_again(reminder: Reminder) -> None:
    person, row = persons_of(reminder).get(), reminder
    for hours in (3, 2, 3):
        row = reminder_put_off(row, until=NOW + dt.timedelta(hours=hours), by=person, now=NOW)
    assert Reminder.objects.filter(state=ReminderState.WANTED).get().due_at == NOW + dt.timedelta(hours=3)


def test_a_moment_may_come_back_to_where_it_was_when_it_was_put_off() -> None:
    batch = QueenBatchFactory()
    first, second = NOW + dt.timedelta(hours=4), NOW + dt.timedelta(hours=5)
    [row] = set_on(batch, want(first, member=batch.member))
    reminder_put_off(row, until=NOW + dt.timedelta(hours=6), by=PersonFactory(), now=NOW)
    set_on(batch, want(second, member=batch.member))
    set_on(batch, want(first, member=batch.member))
    assert Reminder.objects.filter(state=ReminderState.WANTED).get().due_at == first
