"""Who holds a message, and what an answer ends: each rule where only the one row it is about may change."""

import datetime as dt
import uuid
from collections.abc import Sequence

import pytest
from django.core import mail
from django.db import transaction

from accounts.models import AuditEntry, Channel, Person
from accounts.refusals import Refusal
from scheduling.models import Delivery, DeliveryState, Reminder, ReminderState
from scheduling.services.channels import PROVIDERS
from scheduling.services.delivery import MAX_ATTEMPTS, deliver_due
from scheduling.services.reminder_rows import (
    Wanted,
    reminder_acknowledge,
    reminder_done,
    reminder_put_off,
    reminder_take_back,
    reminders_set,
)
from tests.factories import NOW, MemberPersonFactory, PersonFactory, QueenBatchFactory, ReminderFactory

pytestmark = pytest.mark.django_db

MINUTE = dt.timedelta(minutes=1)


@pytest.fixture
def ane() -> Person:
    person: Person = MemberPersonFactory(person=PersonFactory(email="ane@example.org")).person
    return person


def reminder_of(person: Person, kind: str = "second_co2", **fields: object) -> Reminder:
    critical = kind == "second_co2"
    reminder: Reminder = ReminderFactory(member=person.members.get(), kind=kind, critical=critical, **fields)
    return reminder


def mail_of(reminder: Reminder) -> Delivery:
    return reminder.deliveries.get(channel=Channel.MAIL)


def refuse(_: Delivery) -> None:
    raise OSError("relay away")


def die(_: Delivery) -> None:
    raise KeyboardInterrupt


def test_an_answer_ends_the_messages_of_its_own_reminder_alone(ane: Person) -> None:
    one, other = reminder_of(ane), reminder_of(ane)
    deliver_due(now=NOW, send=refuse)
    assert reminder_acknowledge(one, by=ane, now=NOW) == one
    assert reminder_acknowledge(one, by=ane, now=NOW + MINUTE) == one
    assert [mail_of(one).state, mail_of(other).state] == [DeliveryState.SUPERSEDED, DeliveryState.RETRY]


def test_an_answer_takes_a_message_from_whoever_holds_it(ane: Person) -> None:
    reminder = reminder_of(ane)
    deliver_due(now=NOW, send=refuse)
    held = {"state": DeliveryState.CLAIMED, "claim": uuid.uuid4(), "lease_until": NOW + MINUTE}
    Delivery.objects.filter(pk=mail_of(reminder).pk).update(**held)
    reminder_acknowledge(reminder, by=ane, now=NOW)
    delivery = mail_of(reminder)
    assert (delivery.state, delivery.claim, delivery.lease_until) == (DeliveryState.SUPERSEDED, None, None)


def test_what_is_held_back_between_claim_and_mail_waits(ane: Person) -> None:
    first, second = reminder_of(ane), reminder_of(ane)

    def hold_the_next(_: Delivery) -> None:
        Reminder.objects.filter(pk=second.pk).update(held_at=NOW)

    assert deliver_due(now=NOW, send=hold_the_next) == 1
    assert [mail_of(first).state, mail_of(second).state] == [DeliveryState.SENT, DeliveryState.HELD]


@pytest.mark.parametrize("change", [{"claim": uuid.uuid4()}, {"state": DeliveryState.SUPERSEDED}])
def test_what_is_ours_no_more_is_not_sent(ane: Person, change: dict[str, object]) -> None:
    first, second = reminder_of(ane), reminder_of(ane)
    sent: list[int] = []

    def lose_the_next(delivery: Delivery) -> None:
        sent.append(delivery.reminder_id)
        Delivery.objects.filter(pk=mail_of(second).pk).update(**change)

    assert deliver_due(now=NOW, send=lose_the_next) == 1
    assert sent == [first.pk]


def test_what_was_taken_from_us_while_we_sent_it_keeps_its_new_holder(ane: Person) -> None:
    reminder, other = reminder_of(ane), uuid.uuid4()

    def lose_it(delivery: Delivery) -> None:
        Delivery.objects.filter(pk=delivery.pk).update(claim=other)

    deliver_due(now=NOW, send=lose_it)
    delivery = mail_of(reminder)
    assert (delivery.state, delivery.claim) == (DeliveryState.SENDING, other)


def test_a_claim_counts_a_try_and_ends_with_its_answer(ane: Person) -> None:
    reminder = reminder_of(ane)
    with pytest.raises(KeyboardInterrupt):
        deliver_due(now=NOW, send=die)
    held = mail_of(reminder)
    assert held.lease_until is not None
    assert NOW + MINUTE <= held.lease_until < NOW + 2 * MINUTE
    assert (held.attempts, held.claim is None) == (1, False)
    deliver_due(now=NOW + 3 * MINUTE)
    sent = reminder.deliveries.filter(channel=Channel.MAIL, state=DeliveryState.SENT).order_by("pk").first()
    assert sent is not None
    assert (sent.attempts, sent.claim, sent.lease_until, sent.problem) == (2, None, None, "")


def test_rows_given_up_or_in_doubt_leave_the_others_as_they_are(ane: Person) -> None:
    hopeless, doubtful, fresh = reminder_of(ane), reminder_of(ane, "graft"), reminder_of(ane, "graft")
    deliver_due(now=NOW, send=refuse)
    dead = NOW - MINUTE
    Delivery.objects.filter(pk=mail_of(hopeless).pk).update(attempts=MAX_ATTEMPTS, next_try_at=NOW)
    Delivery.objects.filter(pk=mail_of(doubtful).pk).update(
        state=DeliveryState.SENDING, claim=uuid.uuid4(), lease_until=dead
    )
    deliver_due(now=NOW + 2 * dt.timedelta(seconds=1), send=refuse)
    states = [mail_of(row).state for row in (hopeless, doubtful, fresh)]
    assert states == [DeliveryState.DEAD, DeliveryState.IN_DOUBT, DeliveryState.RETRY]
    assert (mail_of(doubtful).claim, mail_of(doubtful).lease_until) == (None, None)


def test_a_mail_that_gets_through_forgets_its_trouble(ane: Person) -> None:
    reminder = reminder_of(ane, "graft")
    deliver_due(now=NOW, send=refuse)
    assert mail_of(reminder).problem == "relay away"
    deliver_due(now=NOW + MINUTE)
    assert (mail_of(reminder).state, mail_of(reminder).problem) == (DeliveryState.SENT, "")
    assert len(mail.outbox) == 1


def test_putting_off_keeps_the_old_row_and_the_way_to_the_new_one(ane: Person) -> None:
    reminder = reminder_of(ane)
    new = reminder_put_off(reminder, until=NOW + 30 * MINUTE, by=ane, now=NOW)
    reminder.refresh_from_db()
    assert (reminder.state, reminder.replaced_by) == (ReminderState.PUT_OFF, new)
    assert reminder_put_off(new, until=NOW + 30 * MINUTE, by=ane, now=NOW) == new, "the same moment changes nothing"
    assert AuditEntry.objects.filter(action="reminder.put_off").count() == 1


def test_taking_back_is_written_down_and_refused_where_the_same_stands_again(ane: Person) -> None:
    reminder = reminder_of(ane)
    reminder_done(reminder, by=ane, now=NOW)
    reminder_take_back(reminder, by=ane, now=NOW)
    [entry] = AuditEntry.objects.filter(action="reminder.take_back")
    assert (entry.before, entry.after) == ({"state": "done"}, {"state": "wanted"})
    reminder_done(reminder, by=ane, now=NOW)
    reminder_of(ane, subject_id=reminder.subject_id)
    with pytest.raises(Refusal, match="stands again"):
        reminder_take_back(reminder, by=ane, now=NOW)


class Broken:
    """A provider whose own code fails."""

    batch = 10
    closed = 0

    def send(self, deliveries: Sequence[Delivery]) -> list[Exception | None]:
        raise RuntimeError("a slip of the pen")

    def close(self) -> None:
        Broken.closed += 1


def test_a_provider_that_breaks_fails_its_call_alone_and_is_closed(
    ane: Person, monkeypatch: pytest.MonkeyPatch
) -> None:
    reminder = reminder_of(ane)
    monkeypatch.setitem(PROVIDERS, Channel.MAIL, Broken)
    monkeypatch.setattr(Broken, "closed", 0)
    assert deliver_due(now=NOW) == 0
    assert (mail_of(reminder).state, mail_of(reminder).problem) == (
        DeliveryState.RETRY,
        "RuntimeError: a slip of the pen",
    )
    assert Broken.closed == 1


def test_whoever_waits_for_its_turn_is_held_for_a_minute(ane: Person) -> None:
    _first, second = reminder_of(ane), reminder_of(ane)
    seen: list[tuple[str, dt.datetime | None]] = []

    def look_at_the_next(_: Delivery) -> None:
        seen.append((mail_of(second).state, mail_of(second).lease_until))

    deliver_due(now=NOW, send=look_at_the_next)
    assert seen[0] == (DeliveryState.CLAIMED, NOW + MINUTE)


def test_what_is_put_off_done_or_taken_back_says_by_whom_and_gives_the_row(ane: Person) -> None:
    reminder = reminder_of(ane)
    new = reminder_put_off(reminder, until=NOW + 30 * MINUTE, by=ane, now=NOW)
    reminder.refresh_from_db()
    assert (reminder.ended_by, reminder.ended_at, reminder.tell_at) == (ane, NOW, None)
    assert reminder_done(new, by=ane, now=NOW) == new
    assert reminder_done(new, by=ane, now=NOW) == new
    assert reminder_take_back(new, by=ane, now=NOW) == new


def test_words_of_what_was_not_told_yet_follow(ane: Person) -> None:
    batch = QueenBatchFactory(member=ane.members.get())
    later = NOW + 60 * MINUTE
    for title in ("Graft: Rowan", "Graft: Rowan 1"):
        with transaction.atomic():
            reminders_set(
                batch,
                [Wanted("graft", later, title, "", member=batch.member)],
                cooperative=batch.season.cooperative,
                kinds=["graft"],
                now=NOW,
            )
    assert str(Reminder.objects.get(kind="graft").title) == "Graft: Rowan 1"


@pytest.mark.parametrize("state", [ReminderState.DONE, ReminderState.WANTED])
@pytest.mark.parametrize(("kind_of_thing", "further"), [("scheduling.dronecohort", 0), ("scheduling.queenbatch", 1)])
def test_reminders_of_another_thing_are_its_own(
    ane: Person, state: ReminderState, kind_of_thing: str, further: int
) -> None:
    batch = QueenBatchFactory(member=ane.members.get())
    later = NOW + 60 * MINUTE
    theirs = {"subject_type": kind_of_thing, "subject_id": batch.pk + further}
    reminder_of(ane, "graft", due_at=later, state=state, **theirs)
    with transaction.atomic():
        reminders_set(
            batch,
            [Wanted("graft", later, "Graft", "", member=batch.member)],
            cooperative=batch.season.cooperative,
            kinds=["graft"],
            now=NOW,
        )
    rows = Reminder.objects.filter(kind="graft").order_by("pk").values_list("subject_type", "state")
    assert list(rows) == [(kind_of_thing, state), ("scheduling.queenbatch", ReminderState.WANTED)]


def test_what_was_ended_while_we_sent_it_stays_ended(ane: Person) -> None:
    reminder = reminder_of(ane)

    def end_it(delivery: Delivery) -> None:
        Delivery.objects.filter(pk=delivery.pk).update(state=DeliveryState.SUPERSEDED)

    deliver_due(now=NOW, send=end_it)
    assert mail_of(reminder).state == DeliveryState.SUPERSEDED
