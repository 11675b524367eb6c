"""Text messages through a cooperative's own gateway: signed, once, and never into our own network."""

import hashlib
import hmac
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse

from accounts import outgoing
from accounts.gateway import GatewayRefused
from accounts.models import AuditEntry, Cooperative, Gateway, Person
from accounts.outgoing import Rules
from accounts.refusals import Refusal
from accounts.services.gateways import gateway_of, gateway_off, gateway_set, gateway_tell, gateway_test
from tests.accounts.loopback import Sink, plain, serving
from tests.factories import NOW, RoleGrantFactory

pytestmark = pytest.mark.django_db


@pytest.fixture
def sink(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Sink]:
    with serving(tmp_path) as found:
        monkeypatch.setattr(outgoing, "RULES", found.rules())
        yield found


@pytest.fixture
def coordinator() -> Person:
    person: Person = RoleGrantFactory().person
    Person.objects.filter(pk=person.pk).update(phone="+45 1234 5678")
    person.refresh_from_db()
    return person


@pytest.fixture
def cooperative(coordinator: Person) -> Cooperative:
    return coordinator.role_grants.get().cooperative


def set_up(cooperative: Cooperative, url: str, by: Person) -> Gateway:
    return gateway_set(cooperative, url=url, by=by, now=NOW)[0]


def tell(gateway: Gateway, **fields: Any) -> None:
    gateway_tell(gateway, **{"key": "7", "to": "+45 1", "text": "Cage – now", "is_urgent": True, "now": NOW, **fields})


def test_a_call_is_signed_and_names_its_message(cooperative: Cooperative, coordinator: Person, sink: Sink) -> None:
    gateway, secret = gateway_set(cooperative, url=sink.url(), by=coordinator, now=NOW)
    tell(gateway)
    [asked] = sink.asked
    assert json.loads(asked.body) == {"id": "7", "to": "+45 1", "text": "Cage – now", "urgent": True}
    assert asked.headers["Idempotency-Key"] == "7"
    seconds = int(NOW.timestamp())
    digest = hmac.new(secret.encode(), f"{seconds}.".encode() + asked.body, hashlib.sha256).hexdigest()
    assert asked.headers["Broodtide-Signature"] == f"t={seconds},v1={digest}"
    gateway.refresh_from_db()
    assert gateway.last_good_at == NOW


@pytest.mark.parametrize(
    ("status", "expected"),
    [(400, GatewayRefused), (422, GatewayRefused), (302, OSError), (429, OSError), (503, OSError)],
)
def test_trouble_is_told_apart_and_kept(
    cooperative: Cooperative, coordinator: Person, sink: Sink, status: int, expected: type[Exception]
) -> None:
    gateway = set_up(cooperative, sink.url(), coordinator)
    sink.answer = lambda handler: plain(handler, status, Location="https://127.0.0.1/")
    with pytest.raises(expected, match=str(status)):
        tell(gateway)
    gateway.refresh_from_db()
    assert str(status) in gateway.last_problem
    assert (gateway.last_problem_at, gateway.last_good_at, len(sink.asked)) == (NOW, None, 1)


@pytest.mark.parametrize("host", ["127.0.0.1", "10.1.2.3", "169.254.169.254", "[::1]", "metadata.example.org"])
def test_an_address_inside_is_refused_when_it_is_entered(
    cooperative: Cooperative, coordinator: Person, monkeypatch: pytest.MonkeyPatch, host: str
) -> None:
    rules = Rules(lookup=lambda name, port: ["192.168.0.9"] if name == "metadata.example.org" else [name])
    monkeypatch.setattr(outgoing, "RULES", rules)
    with pytest.raises(Refusal, match="private network") as caught:
        set_up(cooperative, f"https://{host}/send", coordinator)
    assert caught.value.field == "url"
    assert gateway_of(cooperative) is None


def test_a_name_that_leads_inside_later_is_not_called(
    cooperative: Cooperative, coordinator: Person, sink: Sink, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It was checked when it was entered; each call looks again."""
    gateway = set_up(cooperative, sink.url(), coordinator)
    monkeypatch.setattr(outgoing, "RULES", Rules(lookup=lambda name, port: ["127.0.0.1"]))
    with pytest.raises(outgoing.Forbidden):
        tell(gateway)
    assert sink.asked == []


def test_another_address_gets_another_secret_and_the_same_keeps_it(
    cooperative: Cooperative, coordinator: Person, sink: Sink
) -> None:
    first = gateway_set(cooperative, url=sink.url("/a"), by=coordinator, now=NOW)[1]
    assert gateway_set(cooperative, url=sink.url("/a"), by=coordinator, now=NOW)[1] == ""
    second = gateway_set(cooperative, url=sink.url("/b"), by=coordinator, now=NOW)[1]
    assert first != second
    gateway = Gateway.objects.get()
    gateway_off(gateway, by=coordinator, now=NOW)
    gateway_off(gateway, by=coordinator, now=NOW)
    assert gateway_set(cooperative, url=sink.url("/b"), by=coordinator, now=NOW)[1] == ""
    gateway.refresh_from_db()
    assert (gateway.is_on, gateway.secret) == (True, second)
    actions = [row.action for row in AuditEntry.objects.order_by("pk")]
    assert actions == ["gateway.set", "gateway.set", "gateway.off", "gateway.set"]
    assert second not in str(list(AuditEntry.objects.values()))


def test_the_test_goes_to_whoever_asks(cooperative: Cooperative, coordinator: Person, sink: Sink) -> None:
    gateway = set_up(cooperative, sink.url(), coordinator)
    gateway_test(gateway, by=coordinator, now=NOW)
    assert json.loads(sink.asked[0].body)["to"] == "+45 1234 5678"
    sink.answer = lambda handler: plain(handler, 500)
    with pytest.raises(Refusal, match="It did not work"):
        gateway_test(gateway, by=coordinator, now=NOW)
    coordinator.phone = ""
    with pytest.raises(Refusal, match="Enter your telephone number"):
        gateway_test(gateway, by=coordinator, now=NOW)


# --- the page


def test_the_coordinator_sets_it_up_tries_it_and_switches_it_off(
    client: Client, cooperative: Cooperative, coordinator: Person, sink: Sink
) -> None:
    client.force_login(coordinator)
    url = reverse("accounts:gateway")
    assert "No text messages are sent" in client.get(url).content.decode()
    shown = client.post(url, {"url": sink.url()}).content.decode()
    secret = Gateway.objects.get().secret
    assert secret in shown
    assert secret not in client.get(url).content.decode()
    client.post(reverse("accounts:gateway_test"))
    assert "The gateway took a message for +45 1234 5678." in client.get(url).content.decode()
    renewed = client.post(reverse("accounts:gateway_secret")).content.decode()
    assert Gateway.objects.get().secret in renewed
    assert Gateway.objects.get().secret != secret
    client.post(reverse("accounts:gateway_off"))
    assert not Gateway.objects.get().is_on


def test_a_wrong_address_is_said_beside_its_field(client: Client, coordinator: Person) -> None:
    client.force_login(coordinator)
    page = client.post(reverse("accounts:gateway"), {"url": "http://sms.example.org"})
    assert page.context["form"].errors == {"url": ["The address must begin with https://."]}
    assert Gateway.objects.count() == 0


def test_what_trouble_there_was_stands_on_the_page(
    client: Client, cooperative: Cooperative, coordinator: Person, sink: Sink
) -> None:
    gateway = set_up(cooperative, sink.url(), coordinator)
    sink.answer = lambda handler: plain(handler, 503)
    with pytest.raises(OSError, match="503"):
        tell(gateway)
    client.force_login(coordinator)
    assert "The gateway answered 503." in client.get(reverse("accounts:gateway")).content.decode()
