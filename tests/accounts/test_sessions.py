"""Where somebody is signed in: seen, ended one by one or all at once, moved on with use."""

import datetime as dt

import pytest
from django.contrib.sessions.models import Session
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from accounts.models import AuditEntry, OpenSession
from accounts.services.sessions import device_words
from tests.accounts.conftest import House
from tests.factories import PASSWORD

pytestmark = pytest.mark.django_db

PAGE = reverse("accounts:sessions")
PHONE = "Mozilla/5.0 (Linux; Android 16; Pixel) AppleWebKit/537.36 Chrome/140.0 Mobile Safari/537.36"
LAPTOP = "Mozilla/5.0 (X11; Linux x86_64; rv:143.0) Gecko/20100101 Firefox/143.0"


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> list[dt.datetime]:
    now = [timezone.now()]
    monkeypatch.setattr("accounts.http.timezone.now", lambda: now[0])
    return now


def signed_in(agent: str, email: str = "owner@example.org") -> Client:
    client = Client(headers={"user-agent": agent})
    client.post(reverse("accounts:sign_in"), {"email": email, "password": PASSWORD})
    return client


def is_in(client: Client) -> bool:
    return client.get(PAGE).status_code == 200


def test_each_device_stands_on_the_page_and_others_peoples_do_not(house: House, clock: list[dt.datetime]) -> None:
    phone, _laptop, _other = signed_in(PHONE), signed_in(LAPTOP), signed_in(LAPTOP, "stranger@example.org")
    page = phone.get(PAGE).content.decode()
    assert "You are signed in on 2 devices" in page
    assert "Chrome, Android" in page
    assert "Firefox, Linux" in page
    assert page.count("· this device") == 1


def test_one_is_ended_from_the_other_at_once(house: House, clock: list[dt.datetime]) -> None:
    phone, laptop = signed_in(PHONE), signed_in(LAPTOP)
    row = OpenSession.objects.get(device="Chrome, Android")
    laptop.post(reverse("accounts:session_end", args=[row.pk]))
    assert (is_in(phone), is_in(laptop)) == (False, True)
    assert AuditEntry.objects.get(action="session.end").before == {"on": "Chrome, Android"}


def test_nobody_ends_another_persons(house: House, clock: list[dt.datetime]) -> None:
    phone, stranger = signed_in(PHONE), signed_in(LAPTOP, "stranger@example.org")
    row = OpenSession.objects.get(device="Chrome, Android")
    assert stranger.post(reverse("accounts:session_end", args=[row.pk])).status_code == 404
    assert is_in(phone)


def test_all_others_are_ended_also_those_that_were_never_noted(house: House, clock: list[dt.datetime]) -> None:
    old, here, stranger = Client(), signed_in(LAPTOP), signed_in(PHONE, "stranger@example.org")
    old.force_login(house["owner"])
    signed_in(PHONE)
    here.post(reverse("accounts:sessions_end"))
    assert [is_in(old), is_in(here), is_in(stranger)] == [False, True, True]
    assert OpenSession.objects.filter(person=house["owner"]).count() == 1


def test_a_change_of_password_ends_the_others_and_keeps_this_one_on_the_page(
    house: House, clock: list[dt.datetime]
) -> None:
    phone, laptop = signed_in(PHONE), signed_in(LAPTOP)
    laptop.post(reverse("accounts:password"), {"current": PASSWORD, "password": "swarm in the plum tree"})
    assert (is_in(phone), is_in(laptop)) == (False, True)
    assert list(OpenSession.objects.values_list("device", flat=True)) == ["Firefox, Linux"]
    assert "You are signed in on 1 device" in laptop.get(PAGE).content.decode()


def test_use_moves_the_end_on_and_idleness_of_fourteen_days_ends_it(house: House, clock: list[dt.datetime]) -> None:
    client, began = signed_in(PHONE), clock[0]
    ends = Session.objects.get().expire_date
    clock[0] = began + dt.timedelta(minutes=14)
    client.get(PAGE)
    assert OpenSession.objects.get().seen_at == began
    clock[0] = began + dt.timedelta(minutes=16)
    client.get(PAGE)
    assert OpenSession.objects.get().seen_at == clock[0]
    assert Session.objects.get().expire_date > ends
    Session.objects.update(expire_date=began - dt.timedelta(seconds=1))
    assert not is_in(client)


def test_no_network_address_is_kept(house: House, clock: list[dt.datetime]) -> None:
    signed_in(PHONE)
    kept = OpenSession.objects.values_list().get()
    assert not any("127.0.0.1" in str(value) for value in kept)


@pytest.mark.parametrize(
    ("agent", "words"),
    [(PHONE, "Chrome, Android"), (LAPTOP, "Firefox, Linux"), ("curl/8.1", "curl/8.1"), ("", "?"), ("<b>x", "bx")],
)
def test_a_device_is_named_by_browser_and_system(agent: str, words: str) -> None:
    assert device_words(agent) == words
