"""Messages to devices: readable by the browser alone, signed, and to public addresses only."""

import datetime as dt
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from django.core.management import CommandError, call_command
from django.test import Client
from django.urls import reverse
from py_vapid import Vapid02

from accounts import outgoing
from accounts.management.commands.push_keys import NAME
from accounts.models import AuditEntry, Person, PushDevice
from accounts.outgoing import Forbidden
from accounts.push import PushGone, PushRefused, checked_keys, from_base64url, new_key, public_key, push_send
from accounts.refusals import Refusal
from accounts.services.devices import MOST_DEVICES, device_add, device_tell, device_test, devices_live
from tests.accounts.browser import Browser
from tests.accounts.loopback import Sink, plain, serving
from tests.factories import NOW, MemberPersonFactory, PersonFactory

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def _key(settings: Any) -> None:
    settings.PUSH_KEY = new_key()


@pytest.fixture
def sink(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Sink]:
    """A push service on this machine."""
    with serving(tmp_path) as found:
        found.answer = lambda handler: plain(handler, 201)
        monkeypatch.setattr(outgoing, "RULES", found.rules())
        yield found


@pytest.fixture
def person() -> Person:
    found: Person = MemberPersonFactory().person
    return found


def device_of(person: Person, endpoint: str, browser: Browser | None = None, **fields: Any) -> PushDevice:
    return device_add(
        person,
        endpoint=endpoint,
        **(browser or Browser()).keys,
        cooperative=None,
        now=NOW,
        **{"name": "Phone", **fields},
    )


def send(device: PushDevice, **fields: Any) -> None:
    defaults: dict[str, Any] = {
        "words": {"title": "x"},
        "topic": "t",
        "ttl_seconds": 60,
        "is_urgent": False,
        "now": NOW,
    }
    push_send(device, **defaults | fields)


def test_the_browser_and_nobody_else_reads_the_message(person: Person, sink: Sink) -> None:
    browser = Browser()
    send(device_of(person, sink.url(), browser), words={"body": "Something is due."})
    [asked] = sink.asked
    assert browser.read(asked.body) == {"body": "Something is due."}
    assert b"due" not in asked.body
    with pytest.raises(Exception, match=r".*"):
        Browser().read(asked.body)


def test_the_message_says_how_long_and_in_place_of_what(person: Person, sink: Sink) -> None:
    device = device_of(person, sink.url())
    send(device, topic="a" * 40, ttl_seconds=7200, is_urgent=True)
    send(device, ttl_seconds=-5)
    first, second = (asked.headers for asked in sink.asked)
    assert (first["TTL"], first["Topic"], first["Urgency"]) == ("7200", "a" * 32, "high")
    assert (second["TTL"], second["Urgency"]) == ("0", "normal")
    assert first["Content-Encoding"] == "aes128gcm"


def test_the_message_is_signed_for_that_push_service_and_not_for_long(person: Person, sink: Sink) -> None:
    """RFC 8292, section 2: aud is the origin, exp at most 24 hours away, sub tells whom to ask."""
    send(device_of(person, sink.url("/wpush/v2/abc")))
    header = sink.asked[0].headers["Authorization"]
    assert Vapid02.verify(header)
    scheme, fields = header.split(" ", 1)
    token, key = (part.split("=", 1)[1] for part in fields.split(","))
    assert (scheme, key) == ("vapid", public_key())
    claims = json.loads(from_base64url(token.split(".")[1]))
    assert claims["aud"] == f"https://sms.example.org:{sink.port}"
    assert claims["sub"] == "mailto:broodtide@localhost"
    assert 0 < claims["exp"] - NOW.timestamp() <= 24 * 3600


@pytest.mark.parametrize(
    ("status", "expected"),
    [(404, PushGone), (410, PushGone), (403, PushRefused), (413, PushRefused), (429, OSError), (500, OSError)],
)
def test_what_the_push_service_answers_is_told_apart(
    person: Person, sink: Sink, status: int, expected: type[Exception]
) -> None:
    sink.answer = lambda handler: plain(handler, status)
    with pytest.raises(expected, match=str(status)):
        send(device_of(person, sink.url()))


@pytest.mark.parametrize("status", [404, 410])
def test_a_device_that_is_gone_is_told_no_more(person: Person, sink: Sink, status: int) -> None:
    device = device_of(person, sink.url())
    sink.answer = lambda handler: plain(handler, status)
    with pytest.raises(PushGone):
        device_tell(device, words={}, topic="t", ttl_seconds=1, is_urgent=False, now=NOW)
    device.refresh_from_db()
    assert device.ended_at == NOW
    assert devices_live([person]) == set()
    assert AuditEntry.objects.filter(action="device.end", by=None).count() == 1


def test_an_address_in_our_own_network_is_never_called(person: Person) -> None:
    device = device_of(person, "https://127.0.0.1/wpush")
    with pytest.raises(Forbidden, match="private network"):
        send(device)


@pytest.mark.parametrize(
    "endpoint", ["http://push.example.org/x", "javascript:alert(1)", "https://a:b@push.example.org/"]
)
def test_an_address_that_is_not_https_is_not_taken_up(person: Person, endpoint: str) -> None:
    with pytest.raises(Refusal):
        device_of(person, endpoint)


def test_keys_must_be_a_point_of_the_curve_and_sixteen_bytes() -> None:
    good = Browser().keys
    assert checked_keys(**good)
    for bad in ("", "AAAA", "!" + good["p256dh"][1:], good["p256dh"][:-4] + "AAAA"):
        assert not checked_keys(bad, good["auth"])
    assert not checked_keys(good["p256dh"], good["auth"][:-4])


def test_the_same_browser_is_one_device_and_belongs_to_whoever_is_there_now(person: Person) -> None:
    first = device_of(person, "https://push.example.org/1")
    again = device_of(person, "https://push.example.org/1", name="Tablet")
    assert (first.pk, again.name, AuditEntry.objects.count()) == (again.pk, "Tablet", 1)
    other = PersonFactory()
    assert device_of(other, "https://push.example.org/1").pk == first.pk
    assert (devices_live([person]), devices_live([other])) == (set(), {other.pk})


def test_the_oldest_of_too_many_devices_ends(person: Person) -> None:
    for number in range(MOST_DEVICES + 1):
        device_add(
            person, endpoint=f"https://push.example.org/{number}", **Browser().keys, name=str(number), cooperative=None,
            now=NOW + dt.timedelta(minutes=number),
        )  # fmt: skip
    live = PushDevice.objects.filter(ended_at=None).values_list("name", flat=True)
    assert sorted(live, key=int) == [str(number) for number in range(1, MOST_DEVICES + 1)]


def test_a_test_message_says_what_went_wrong(person: Person, sink: Sink) -> None:
    browser = Browser()
    device = device_of(person, sink.url(), browser)
    device_test(device, now=NOW)
    assert browser.read(sink.asked[0].body)["body"] == "Messages come to this device."
    sink.answer = lambda handler: plain(handler, 500)
    with pytest.raises(Refusal, match="answered 500"):
        device_test(device, now=NOW)
    sink.answer = lambda handler: plain(handler, 410)
    with pytest.raises(Refusal, match="takes no more messages"):
        device_test(device, now=NOW)


# --- the pages


def subscribe(client: Client, said: object) -> Any:
    return client.post(reverse("accounts:device_add"), json.dumps(said), content_type="application/json")


def test_a_browser_is_taken_up_and_switched_off_on_the_page(client: Client, person: Person) -> None:
    client.force_login(person)
    assert "No device takes messages for you yet" in client.get(reverse("accounts:devices")).content.decode()
    said = {
        "subscription": {"endpoint": "https://push.example.org/1", "keys": Browser().keys},
        "name": "Tablet",
    }
    answer = subscribe(client, said)
    assert (answer.status_code, answer.json()["name"]) == (200, "Tablet")
    page = client.get(reverse("accounts:devices")).content.decode()
    assert "1 device takes messages for you" in page
    assert public_key() in page
    device = PushDevice.objects.get()
    assert client.post(reverse("accounts:device_end", args=[device.pk])).status_code == 302
    device.refresh_from_db()
    assert device.ended_at is not None
    assert [row.action for row in AuditEntry.objects.all()] == ["device.end", "device.add"]


@pytest.mark.parametrize(
    "said",
    [
        "x",
        [],
        {},
        {"subscription": None},
        {"subscription": {"endpoint": 7, "keys": {"p256dh": "x", "auth": "y"}}},
        {"subscription": {"endpoint": "https://push.example.org/1", "keys": {"p256dh": "x", "auth": "y"}}},
        {"subscription": {"endpoint": "https://push.example.org/" + "x" * 9000, "keys": {"p256dh": "x", "auth": "y"}}},
    ],
)
def test_nonsense_is_refused_with_words_and_leaves_nothing(client: Client, person: Person, said: object) -> None:
    client.force_login(person)
    answer = subscribe(client, said)
    assert answer.status_code == 422
    assert answer.json()["problem"]
    assert PushDevice.objects.count() == 0


def test_without_a_key_the_page_says_so_and_nobody_can_be_reached(
    client: Client, person: Person, settings: Any
) -> None:
    device_of(person, "https://push.example.org/1")
    settings.PUSH_KEY = ""
    client.force_login(person)
    assert "manage.py push_keys" in client.get(reverse("accounts:devices")).content.decode()
    assert devices_live([person]) == set()
    said = {"subscription": {"endpoint": "https://push.example.org/2", "keys": Browser().keys}}
    assert subscribe(client, said).status_code == 422


@pytest.mark.parametrize("name", ["device_end", "device_test"])
def test_nobody_touches_anothers_device(client: Client, person: Person, name: str) -> None:
    device = device_of(person, "https://push.example.org/1")
    client.force_login(MemberPersonFactory(member=person.members.get()).person)
    assert client.post(reverse(f"accounts:{name}", args=[device.pk])).status_code == 404
    device.refresh_from_db()
    assert device.ended_at is None


# --- the key


def test_one_command_makes_the_key_for_its_owner_alone(tmp_path: Path, settings: Any, capsys: Any) -> None:
    settings.PUSH_KEY, settings.DATA_DIR = "", tmp_path / "data"
    call_command("push_keys")
    path = tmp_path / "data" / NAME
    assert path.stat().st_mode & 0o777 == 0o600
    settings.PUSH_KEY = path.read_text()
    assert len(from_base64url(public_key())) == 65
    call_command("push_keys")
    assert public_key() in capsys.readouterr().out
    assert path.read_text() == settings.PUSH_KEY
    settings.PUSH_KEY = ""
    with pytest.raises(CommandError, match="is there already"):
        call_command("push_keys")
    call_command("push_keys", "--renew")
    assert path.read_text() != settings.PUSH_KEY


def test_served_the_key_is_printed_and_written_nowhere(tmp_path: Path, settings: Any, capsys: Any) -> None:
    settings.PUSH_KEY, settings.DATA_DIR, settings.SERVED = "", tmp_path, True
    call_command("push_keys")
    out = capsys.readouterr().out.strip()
    name, key = out.split("=", 1)
    settings.PUSH_KEY = key
    assert (name, len(from_base64url(public_key()))) == ("BROODTIDE_PUSH_KEY", 65)
    assert list(tmp_path.iterdir()) == []
