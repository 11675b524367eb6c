"""Webhooks: told with what happened, signed, taken once, tried again, switched off, never into our own network."""

import datetime as dt
import http.client
import importlib.util
import threading
from collections.abc import Iterator
from http.server import ThreadingHTTPServer
from pathlib import Path
from typing import Any

import pytest
from django.core.management import call_command
from django.db import transaction
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from accounts import outgoing
from accounts.audit_words import ACTIONS
from accounts.forms.webhooks import event_words
from accounts.models import AuditEntry, Cooperative, Person, Webhook, WebhookDelivery
from accounts.outgoing import Rules
from accounts.refusals import Refusal
from accounts.services.audit import audit_record
from accounts.services.webhook_delivery import KEPT_FOR, OFF_AFTER, PAUSES, claimed, delivery_send, webhooks_deliver
from accounts.services.webhooks import (
    MOST_WEBHOOKS,
    webhook_add,
    webhook_change,
    webhook_end,
    webhook_renew_secret,
    webhook_switch,
    webhook_test,
)
from accounts.webhooks import API_PATHS, EVENTS, headers_of, signature
from breeding.services.queens import queen_gone, queen_register
from scheduling.models import Reminder
from tests.accounts.loopback import Sink, plain, serving
from tests.factories import NOW, MemberFactory, MemberPersonFactory, RoleGrantFactory

pytestmark = pytest.mark.django_db
MINUTE = dt.timedelta(minutes=1)
FILE = Path(__file__).parents[2] / "docs" / "examples" / "client" / "receiver.py"


def example() -> Any:
    """The receiver of the docs."""
    spec = importlib.util.spec_from_file_location("receiver", FILE)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


RECEIVER = example()


@pytest.fixture
def sink(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Sink]:
    with serving(tmp_path) as found:
        monkeypatch.setattr(outgoing, "RULES", found.rules())
        yield found


@pytest.fixture
def coordinator() -> Person:
    person: Person = RoleGrantFactory().person
    return person


@pytest.fixture
def cooperative(coordinator: Person) -> Cooperative:
    return coordinator.role_grants.get().cooperative


def set_up(by: Person, url: str, *events: str, name: str = "Chat") -> tuple[Webhook, str]:
    here = by.role_grants.get().cooperative
    return webhook_add(here, name=name, url=url, events=events or ("queen.register",), by=by, now=NOW)


def registered(cooperative: Cooperative, label: str = "Rowan 1", now: dt.datetime = NOW) -> Any:
    return queen_register(MemberFactory(cooperative=cooperative), label=label, by=None, now=now)


def test_what_happens_is_told_signed_and_taken_once(
    cooperative: Cooperative, coordinator: Person, sink: Sink, settings: Any
) -> None:
    settings.SITE_URL = "https://bees.example.org"
    webhook, secret = set_up(coordinator, sink.url("/hook"))
    queen = registered(cooperative)
    registered(RoleGrantFactory().cooperative, "Elsewhere 1")
    queen_gone(queen, by=None, now=NOW, gone_on=NOW.date())  # not asked for
    assert webhooks_deliver(now=NOW) == 1
    [asked] = sink.asked
    row = WebhookDelivery.objects.get()
    taken: list[dict[str, Any]] = []
    receiver = RECEIVER.Receiver(secret, taken.append)
    headers = {name.lower(): value for name, value in asked.headers.items()}
    answers = [receiver.answer(headers, asked.body, now=NOW.timestamp()) for _twice in range(2)]
    assert (asked.path, answers, headers["webhook-id"]) == ("/hook", [204, 204], str(row.key))
    assert taken == [
        {
            "type": "queen.register",
            "timestamp": NOW.isoformat(),
            "data": {"kind": "queen", "id": queen.pk, "url": f"https://bees.example.org/api/v1/queens/{queen.pk}/"},
        }
    ]
    webhook.refresh_from_db()
    assert (row.state, row.answered, row.sent_at) == ("sent", 200, webhook.last_good_at)
    assert webhooks_deliver(now=NOW + MINUTE) == 0


def test_what_is_undone_is_never_told(cooperative: Cooperative, coordinator: Person, sink: Sink) -> None:
    set_up(coordinator, sink.url())
    with transaction.atomic():
        registered(cooperative)
        transaction.set_rollback(True)
    assert webhooks_deliver(now=NOW) == 0


def test_a_signature_as_the_convention_computes_it() -> None:
    """The example of the Standard Webhooks specification's reference libraries. From memory."""
    secret, key = "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw", "msg_p5jXN8AQM9LWM0D4loKWxJek"
    assert signature(secret, key, 1614265330, b'{"test": 2432232314}') == (
        "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE="
    )


@pytest.mark.parametrize("what", ["body", "time", "secret", "unsigned"])
def test_the_example_takes_nothing_that_is_not_theirs(what: str) -> None:
    body, other = b'{"type": "test"}', "whsec_" + "B" * 43 + "="
    secret = "whsec_" + "A" * 43 + "="
    headers = headers_of("1", body, secrets=[other if what == "secret" else secret], now=NOW)
    if what == "unsigned":
        del headers["webhook-signature"]
    now = NOW + (dt.timedelta(minutes=6) if what == "time" else dt.timedelta())
    taken: list[Any] = []
    said = body + b" " if what == "body" else body
    assert RECEIVER.Receiver(secret, taken.append).answer(headers, said, now=now.timestamp()) == 401
    assert taken == []


def test_the_example_runs_as_a_server() -> None:
    secret, taken = "whsec_" + "A" * 43 + "=", list[Any]()
    server = ThreadingHTTPServer(("127.0.0.1", 0), RECEIVER.handler_of(RECEIVER.Receiver(secret, taken.append)))
    threading.Thread(target=server.serve_forever, daemon=True).start()
    try:
        body = b'{"type": "test"}'
        headers = headers_of("1", body, secrets=[secret], now=dt.datetime.now(dt.UTC))
        connection = http.client.HTTPConnection("127.0.0.1", server.server_port, timeout=5)
        connection.request("POST", "/", body, headers)
        assert connection.getresponse().status == 204
        connection.close()
    finally:
        server.shutdown()
        server.server_close()
    assert taken == [{"type": "test"}]


def test_a_failing_call_is_tried_again_under_its_id_and_with_growing_pauses(
    cooperative: Cooperative, coordinator: Person, sink: Sink
) -> None:
    webhook, _secret = set_up(coordinator, sink.url())
    registered(cooperative)
    sink.answer = lambda handler: plain(handler, 503)
    assert webhooks_deliver(now=NOW) == 1
    row = WebhookDelivery.objects.get()
    webhook.refresh_from_db()
    assert (row.state, row.attempts, row.answered, row.problem) == ("waiting", 1, 503, "The answer was 503.")
    assert (row.next_try_at - PAUSES[0], webhook.failing_since) == (row.tried_at, row.tried_at)
    assert webhooks_deliver(now=NOW + dt.timedelta(seconds=20)) == 0
    sink.answer = lambda handler: plain(handler, 200)
    assert webhooks_deliver(now=NOW + MINUTE) == 1
    webhook.refresh_from_db()
    assert (webhook.failures, webhook.failing_since, webhook.rest_until) == (0, None, None)
    assert len({asked.headers["webhook-id"] for asked in sink.asked}) == 1


def test_one_that_fails_rests_and_holds_up_nobody_else(
    cooperative: Cooperative, coordinator: Person, sink: Sink
) -> None:
    set_up(coordinator, sink.url("/bad"), name="Bad")
    set_up(coordinator, sink.url("/good"), name="Good")
    sink.answer = lambda handler: plain(handler, 503 if handler.path == "/bad" else 200)
    for number in range(3):
        registered(cooperative, f"Q {number}")
    webhooks_deliver(now=NOW)
    assert [asked.path for asked in sink.asked].count("/good") == 3
    assert [asked.path for asked in sink.asked].count("/bad") == 1


@pytest.mark.parametrize(("status", "after"), [(410, dt.timedelta()), (500, OFF_AFTER)])
def test_it_is_switched_off_and_its_owner_told(
    cooperative: Cooperative, coordinator: Person, sink: Sink, status: int, after: dt.timedelta
) -> None:
    webhook, _secret = set_up(coordinator, sink.url())
    RoleGrantFactory(cooperative=cooperative)  # another coordinator, who did not set it up
    registered(cooperative)
    sink.answer = lambda handler: plain(handler, status)
    now = NOW
    while now <= NOW + after + dt.timedelta(hours=12):
        webhooks_deliver(now=now)
        now += dt.timedelta(hours=12)
    webhook.refresh_from_db()
    assert webhook.is_on is False
    [note] = Reminder.objects.filter(kind="webhook_off")
    assert (note.person, str(note.title)) == (coordinator, "Chat is told nothing any more")
    assert note.link == reverse("accounts:webhook", args=[webhook.pk])
    assert list(AuditEntry.objects.filter(action="webhook.off").values_list("by", flat=True)) == [None]
    calls = len(sink.asked)
    registered(cooperative, "Later")
    webhooks_deliver(now=now)
    assert (len(sink.asked), WebhookDelivery.objects.filter(event="queen.register").count()) == (calls, 1)
    sink.answer = lambda handler: plain(handler, 200)
    webhook_switch(webhook, on=True, by=coordinator, now=now)
    webhooks_deliver(now=now + dt.timedelta(days=1))
    assert WebhookDelivery.objects.get().state == "sent"


def test_a_row_is_given_up_after_its_last_pause(cooperative: Cooperative, coordinator: Person, sink: Sink) -> None:
    set_up(coordinator, sink.url())
    registered(cooperative)
    WebhookDelivery.objects.update(attempts=len(PAUSES))
    sink.answer = lambda handler: plain(handler, 500)
    webhooks_deliver(now=NOW)
    assert WebhookDelivery.objects.get().state == "given_up"


def test_whoever_dies_in_the_middle_leaves_a_row_that_is_sent_again(
    cooperative: Cooperative, coordinator: Person, sink: Sink
) -> None:
    set_up(coordinator, sink.url())
    registered(cooperative)
    dead = claimed(WebhookDelivery.objects.get(), now=NOW)
    assert dead is not None
    assert webhooks_deliver(now=NOW + dt.timedelta(seconds=30)) == 0
    assert webhooks_deliver(now=NOW + 2 * MINUTE) == 1
    assert WebhookDelivery.objects.get().state == "sent"
    sink.answer = lambda handler: plain(handler, 500)
    delivery_send(dead, now=NOW + 3 * MINUTE)  # it wakes up late: the row is no longer its own
    assert WebhookDelivery.objects.get().state == "sent"


def test_no_new_call_is_begun_when_the_time_is_over(cooperative: Cooperative, coordinator: Person, sink: Sink) -> None:
    set_up(coordinator, sink.url())
    registered(cooperative)
    assert webhooks_deliver(now=NOW, seconds=0) == 0
    assert webhooks_deliver(now=NOW) == 1


def test_old_calls_are_dropped(cooperative: Cooperative, coordinator: Person, sink: Sink) -> None:
    set_up(coordinator, sink.url())
    registered(cooperative)
    webhooks_deliver(now=NOW + KEPT_FOR - MINUTE)
    assert WebhookDelivery.objects.count() == 1
    webhooks_deliver(now=NOW + KEPT_FOR + MINUTE)
    assert WebhookDelivery.objects.count() == 0


def test_it_never_calls_into_our_own_network(
    cooperative: Cooperative, coordinator: Person, sink: Sink, monkeypatch: pytest.MonkeyPatch
) -> None:
    set_up(coordinator, sink.url())
    registered(cooperative)
    inside = Rules(lookup=lambda name, port: ["10.0.0.7"])
    monkeypatch.setattr(outgoing, "RULES", inside)  # the name leads elsewhere now
    webhooks_deliver(now=NOW)
    assert sink.asked == []
    assert "private network" in WebhookDelivery.objects.get().problem
    for url in ("https://inside.example.org/", "http://chat.example.org/", "https://me:pw@chat.example.org/", "no"):
        with pytest.raises(Refusal) as caught:
            set_up(coordinator, url)
        assert caught.value.rule == "webhook_url"


def test_a_renewed_secret_signs_beside_the_old_one_for_a_day(
    cooperative: Cooperative, coordinator: Person, sink: Sink
) -> None:
    webhook, old = set_up(coordinator, sink.url())
    new = webhook_renew_secret(webhook, by=coordinator, now=NOW)
    assert new != old
    for moment, counts in ((NOW, [True, True]), (NOW + dt.timedelta(days=2), [True, False])):
        webhook_test(Webhook.objects.get(), now=moment)
        asked = sink.asked[-1]
        headers = {name.lower(): value for name, value in asked.headers.items()}
        answers = [
            RECEIVER.Receiver(key, print).answer(headers, asked.body, now=moment.timestamp()) for key in (new, old)
        ]
        assert [answer == 204 for answer in answers] == counts
    changed, third = webhook_change(
        webhook, name="Chat", url=sink.url("/else"), events=["plan.publish"], by=coordinator, now=NOW
    )
    assert third not in {"", old, new}
    assert changed.old_secret == ""
    again: dict[str, Any] = {"url": sink.url("/else"), "events": ["plan.publish"], "by": coordinator}
    assert webhook_change(webhook, name="Chat 2", now=NOW, **again)[1] == ""


def test_events_and_their_number_are_checked(cooperative: Cooperative, coordinator: Person, sink: Sink) -> None:
    for events in ((), ("person.add",)):
        with pytest.raises(Refusal, match="Choose at least one") as caught:
            webhook_add(cooperative, name="Chat", url=sink.url(), events=events, by=coordinator, now=NOW)
        assert caught.value.field == "events"
    for number in range(MOST_WEBHOOKS):
        set_up(coordinator, sink.url(), name=str(number))
    with pytest.raises(Refusal, match="webhooks already"):
        set_up(coordinator, sink.url())
    webhook_end(Webhook.objects.earliest("pk"), by=coordinator, now=NOW)
    set_up(coordinator, sink.url())


def test_every_event_is_an_action_with_words_and_every_path_an_endpoint() -> None:
    assert set(EVENTS) - set(ACTIONS) - {"score.correct"} == set()
    assert [event for event in EVENTS if event_words(event) == event] == []
    assert {path: reverse(f"api:{path}-detail", args=[1]) for path in API_PATHS.values()} == {
        path: f"/api/v1/{path}/1/" for path in API_PATHS.values()
    }


def test_an_entry_of_no_cooperative_tells_nobody(coordinator: Person, sink: Sink) -> None:
    set_up(coordinator, sink.url())
    with transaction.atomic():
        audit_record(coordinator, action="queen.register", by=None, now=NOW, cooperative=None)
    assert WebhookDelivery.objects.count() == 0


def test_the_coordinator_sets_one_up_tries_it_and_sends_again(
    cooperative: Cooperative, coordinator: Person, sink: Sink, client: Client
) -> None:
    client.force_login(coordinator)
    given = {"name": "Chat", "url": sink.url(), "events": ["queen.register", "plan.publish"]}
    page = client.post(reverse("accounts:webhooks"), given)
    webhook = Webhook.objects.get()
    assert webhook.secret in page.content.decode()
    shown = reverse("accounts:webhook", args=[webhook.pk])
    assert webhook.secret not in client.get(shown).content.decode()
    tried = client.post(reverse("accounts:webhook_test", args=[webhook.pk]), follow=True).content.decode()
    assert "It was taken." in tried
    sink.answer = lambda handler: plain(handler, 404)
    refused = client.post(reverse("accounts:webhook_test", args=[webhook.pk]), follow=True).content.decode()
    assert "It did not get through. The answer was 404." in refused
    assert list(WebhookDelivery.objects.values_list("state", flat=True)) == ["given_up", "sent"]
    sink.answer = lambda handler: plain(handler, 200)
    row = WebhookDelivery.objects.latest("pk")
    client.post(reverse("accounts:webhook_again", args=[webhook.pk, row.pk]))
    assert [asked.headers["webhook-id"] for asked in sink.asked][1:] == [str(row.key)] * 2
    assert WebhookDelivery.objects.get(pk=row.pk).state == "sent"
    client.post(reverse("accounts:webhook_switch", args=[webhook.pk]), {"on": "0"})
    assert "Chat is switched off" in client.get(shown).content.decode()
    wrong = client.post(shown, {**given, "url": "http://chat.example.org/"})
    assert (wrong.status_code, Webhook.objects.get().url) == (422, sink.url())
    renewed = client.post(reverse("accounts:webhook_secret", args=[webhook.pk])).content.decode()
    assert Webhook.objects.get().secret in renewed
    client.post(reverse("accounts:webhook_end", args=[webhook.pk]))
    assert client.get(shown).status_code == 404


def test_a_member_hears_of_no_secret(coordinator: Person, sink: Sink, client: Client) -> None:
    set_up(coordinator, sink.url())
    member = MemberPersonFactory(member=MemberFactory(cooperative=coordinator.role_grants.get().cooperative))
    client.force_login(member.person)
    assert client.get(reverse("accounts:webhooks")).status_code == 403


@pytest.mark.django_db(transaction=True)
def test_the_sweep_of_the_small_installation_sends_them(
    cooperative: Cooperative, coordinator: Person, sink: Sink
) -> None:
    set_up(coordinator, sink.url())
    registered(cooperative, now=timezone.now())
    call_command("run_ticker", "--once")
    assert len(sink.asked) == 1
