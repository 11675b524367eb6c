"""Reminders by push and by text message: what goes out, to whom, and what comes of a failure."""

import datetime as dt
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from django.utils import timezone

from accounts import outgoing
from accounts.models import Gateway, Member, MemberPerson, Person, PushDevice
from accounts.push import new_key
from accounts.services.devices import device_add
from scheduling.models import Delivery, DeliveryState, Reminder
from scheduling.services.channels import reachable_by
from scheduling.services.channels.gateway import MOST_LETTERS, text_of
from scheduling.services.channels.push import topic_of
from scheduling.services.delivery import deliver_due
from scheduling.services.telling_key import telling_key
from tests.accounts.browser import Browser
from tests.accounts.loopback import Sink, plain, serving
from tests.factories import NOW, MemberPersonFactory, PersonFactory, ReminderFactory

pytestmark = pytest.mark.django_db


@pytest.fixture
def sink(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, settings: Any) -> Iterator[Sink]:
    """A push service and a gateway on this machine."""
    settings.PUSH_KEY = new_key()
    with serving(tmp_path) as found:
        found.answer = lambda handler: plain(handler, 201)
        monkeypatch.setattr(outgoing, "RULES", found.rules())
        yield found


@pytest.fixture
def reminder() -> Reminder:
    """Due now, of a member whose one person has a telephone and no address for mail that would be in the way."""
    made = ReminderFactory(tell_at=NOW, why="Behind the chapel")
    MemberPersonFactory(member=made.member, person=PersonFactory(name="Ane", phone="+45 1"))
    return made


def person_of(reminder: Reminder) -> Person:
    return Person.objects.get(members=reminder.member_id)


def with_device(person: Person, sink: Sink, path: str = "/wpush/1") -> Browser:
    browser = Browser()
    device_add(person, endpoint=sink.url(path), **browser.keys, name=path, cooperative=None, now=NOW)
    return browser


def with_gateway(reminder: Reminder, sink: Sink, **fields: Any) -> Gateway:
    return Gateway.objects.create(
        cooperative=reminder.cooperative, url=sink.url("/send"), secret="s" * 43, made_at=NOW, **fields
    )


def states(reminder: Reminder) -> dict[str, str]:
    return dict(reminder.deliveries.values_list("channel", "state"))


def test_whoever_has_a_device_is_told_there_and_learns_nothing_private(reminder: Reminder, sink: Sink) -> None:
    browser = with_device(person_of(reminder), sink)
    deliver_due(now=NOW)
    assert states(reminder) == {"inbox": "sent", "mail": "sent", "push": "sent"}
    [asked] = sink.asked
    words = browser.read(asked.body)
    assert words == {
        "title": "Broodtide", "body": "Something is due.", "tag": topic_of(reminder), "url": "/reminders/",
        "again": "1",
    }  # fmt: skip
    assert (asked.headers["Topic"], asked.headers["Urgency"]) == (topic_of(reminder), "high")


def test_a_push_message_is_kept_for_as_long_as_it_is_of_use(sink: Sink) -> None:
    now = timezone.now()
    made = ReminderFactory(
        tell_at=now, due_at=now, created_at=now - dt.timedelta(days=1), useful_until=now + dt.timedelta(hours=3)
    )
    with_device(MemberPersonFactory(member=made.member).person, sink)
    deliver_due(now=now)
    assert 3 * 3600 - 60 <= int(sink.asked[0].headers["TTL"]) <= 3 * 3600


def test_one_thing_has_one_topic_and_another_thing_another(reminder: Reminder) -> None:
    moved = ReminderFactory(member=reminder.member, subject_id=reminder.subject_id, due_at=NOW + dt.timedelta(days=1))
    other = ReminderFactory(member=reminder.member)
    assert topic_of(reminder) == topic_of(moved) != topic_of(other)
    assert len(topic_of(reminder)) == 32
    assert str(reminder.subject_id) not in topic_of(reminder)


def test_every_device_is_told_and_one_that_took_it_is_enough(reminder: Reminder, sink: Sink) -> None:
    with_device(person_of(reminder), sink, "/wpush/1")
    with_device(person_of(reminder), sink, "/wpush/2")
    sink.answer = lambda handler: plain(handler, 410 if handler.path.endswith("1") else 201)
    deliver_due(now=NOW)
    assert {asked.path for asked in sink.asked} == {"/wpush/1", "/wpush/2"}
    assert states(reminder)["push"] == DeliveryState.SENT
    assert list(PushDevice.objects.filter(ended_at=None).values_list("name", flat=True)) == ["/wpush/2"]


def test_when_the_last_device_is_gone_it_is_not_tried_again(reminder: Reminder, sink: Sink) -> None:
    with_device(person_of(reminder), sink)
    sink.answer = lambda handler: plain(handler, 410)
    deliver_due(now=NOW)
    assert states(reminder)["push"] == DeliveryState.DEAD
    assert reachable_by([person_of(reminder)], reminder.cooperative_id)["push"] == set()


def test_a_push_service_in_trouble_is_tried_again(reminder: Reminder, sink: Sink) -> None:
    with_device(person_of(reminder), sink)
    sink.answer = lambda handler: plain(handler, 503)
    deliver_due(now=NOW)
    assert states(reminder)["push"] == DeliveryState.RETRY
    sink.answer = lambda handler: plain(handler, 201)
    deliver_due(now=NOW + dt.timedelta(minutes=1))
    assert states(reminder)["push"] == DeliveryState.SENT


def test_a_text_message_says_what_and_when_under_its_own_key(reminder: Reminder, sink: Sink) -> None:
    with_gateway(reminder, sink)
    deliver_due(now=NOW)
    [asked] = sink.asked
    row = reminder.deliveries.get(channel="gateway")
    assert row.state == DeliveryState.SENT
    assert asked.headers["Idempotency-Key"] == telling_key(row)
    assert json.loads(asked.body) == {
        "id": telling_key(row), "to": "+45 1", "urgent": True,
        "text": "Cage the ripe cells of Rowan 1. Due Tue 9 June 2026, 10:00, Europe/Berlin (UTC+2).",
    }  # fmt: skip


def test_without_an_answer_the_gateway_is_asked_again_under_the_same_key(reminder: Reminder, sink: Sink) -> None:
    with_gateway(reminder, sink)
    sink.answer = lambda handler: handler.connection.close()
    deliver_due(now=NOW)
    assert states(reminder)["gateway"] == DeliveryState.RETRY
    sink.answer = lambda handler: plain(handler, 200)
    deliver_due(now=NOW + dt.timedelta(minutes=1))
    keys = {asked.headers["Idempotency-Key"] for asked in sink.asked}
    assert (states(reminder)["gateway"], len(sink.asked), len(keys)) == (DeliveryState.SENT, 2, 1)


def test_a_number_that_the_gateway_will_not_take_is_not_tried_again(reminder: Reminder, sink: Sink) -> None:
    with_gateway(reminder, sink)
    sink.answer = lambda handler: plain(handler, 422)
    deliver_due(now=NOW)
    row = reminder.deliveries.get(channel="gateway")
    assert (row.state, row.problem) == (DeliveryState.DEAD, "The gateway refused the message with 422.")


@pytest.mark.parametrize("change", ["no phone", "switched off", "another cooperative's"])
def test_who_gets_no_text_messages(reminder: Reminder, sink: Sink, change: str) -> None:
    if change == "another cooperative's":
        with_gateway(ReminderFactory(), sink)
    else:
        with_gateway(reminder, sink, is_on=change != "switched off")
    if change == "no phone":
        Person.objects.filter(pk=person_of(reminder).pk).update(phone="")
    deliver_due(now=NOW)
    assert states(reminder) == {"inbox": "sent", "mail": "sent"}


def test_one_who_has_a_gateway_in_another_cooperative_gets_its_texts_alone(reminder: Reminder, sink: Sink) -> None:
    other = ReminderFactory(tell_at=NOW, title="Cage the ripe cells of Alder 1")
    MemberPersonFactory(member=other.member, person=person_of(reminder))
    with_gateway(other, sink)
    deliver_due(now=NOW)
    assert (states(reminder), states(other)["gateway"]) == ({"inbox": "sent", "mail": "sent"}, "sent")
    assert [json.loads(asked.body)["text"][:30] for asked in sink.asked] == ["Cage the ripe cells of Alder 1"]


def test_a_deputy_from_outside_with_a_number_gets_texts_of_whom_they_stand_in_for(
    reminder: Reminder, sink: Sink
) -> None:
    with_gateway(reminder, sink)
    deputy = PersonFactory(phone="+45 2")
    Member.objects.filter(reminders=reminder).update(deputy=deputy)
    MemberPerson.objects.filter(member=reminder.member_id).delete()
    deliver_due(now=NOW)
    assert [json.loads(asked.body)["to"] for asked in sink.asked] == ["+45 2"]


def test_a_gateway_that_leads_inside_is_not_called(
    reminder: Reminder, sink: Sink, monkeypatch: pytest.MonkeyPatch
) -> None:
    with_gateway(reminder, sink)
    monkeypatch.setattr(outgoing, "RULES", outgoing.Rules(lookup=lambda host, port: ["10.0.0.1"]))
    deliver_due(now=NOW)
    assert (sink.asked, states(reminder)["gateway"]) == ([], DeliveryState.DEAD)


def test_a_long_title_is_cut(reminder: Reminder) -> None:
    reminder.title = "x" * 500
    row = Delivery(reminder=reminder, person=person_of(reminder), channel="gateway")
    assert len(text_of(row)) == MOST_LETTERS
    assert text_of(row).endswith("…")
