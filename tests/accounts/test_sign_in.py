"""Signing in: by e-mail, slowed down for those who guess and never for the owner on a device of theirs."""

import datetime as dt
from collections.abc import Callable
from typing import Any

import pytest
from django.conf import settings
from django.contrib.auth import SESSION_KEY, authenticate
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from accounts.models import KeptMail, Person, Slowdown
from accounts.refusals import Refusal
from accounts.services import sign_in as service
from accounts.services.sign_in import sign_in_try
from accounts.services.slowdown import Bucket, slowdown_give_back, slowdown_take, wait_after
from accounts.views.shared import DEVICE_COOKIE
from tests.accounts.conftest import House
from tests.factories import NOW, PASSWORD

pytestmark = pytest.mark.django_db

ADDRESS = reverse("accounts:sign_in")
WRONG = "This name and this password do not go together."
SLOW = "the next one has to wait"


@pytest.fixture(autouse=True)
def _the_clock_stands_still(monkeypatch: pytest.MonkeyPatch) -> None:
    """Tries are given back as time passes: on a slow machine some would be, between two sign-ins of a test."""
    moment = timezone.now()
    monkeypatch.setattr("accounts.http.timezone.now", lambda: moment)


def _try(client: Client, email: str, password: str = PASSWORD, **extra: Any) -> Any:
    return client.post(ADDRESS, {"email": email, "password": password, **extra.pop("data", {})}, **extra)


def _who(client: Client) -> str | None:
    return client.session.get(SESSION_KEY)


def test_e_mail_and_password_sign_in_whatever_the_case_and_blanks_of_the_address(house: House) -> None:
    client = Client()
    response = _try(client, "  OWNER@example.org ")
    assert (response.status_code, response["Location"]) == (302, "/")
    assert _who(client) == str(house["owner"].pk)


def test_a_session_that_was_there_before_gets_a_new_id(house: House) -> None:
    client = Client()
    session = client.session
    session["planted"] = 1
    session.save()
    planted = session.session_key
    client.cookies[settings.SESSION_COOKIE_NAME] = str(planted)
    _try(client, "owner@example.org")
    assert client.session.session_key != planted
    assert not client.session.exists(str(planted))


@pytest.mark.parametrize(
    ("email", "password"),
    [("owner@example.org", "wrong"), ("no-one@example.org", PASSWORD), ("owner@example.org", PASSWORD.upper())],
)
def test_the_words_do_not_tell_which_of_the_two_was_wrong(house: House, email: str, password: str) -> None:
    response = _try(Client(), email, password)
    assert response.status_code == 200
    assert WRONG in response.content.decode()
    assert email in response.content.decode()
    assert password not in response.content.decode()


def test_a_closed_sign_in_is_answered_like_a_wrong_password(house: House) -> None:
    Person.objects.filter(pk=house["owner"].pk).update(is_active=False)
    assert WRONG in _try(Client(), "owner@example.org").content.decode()


def test_it_goes_on_where_one_wanted_to_go_but_never_to_another_site(house: House) -> None:
    assert _try(Client(), "owner@example.org", data={"next": "/apiaries/"})["Location"] == "/apiaries/"
    assert _try(Client(), "owner@example.org", data={"next": "https://elsewhere.example/"})["Location"] == "/"


def test_who_is_signed_in_is_not_asked_again(client_of: Callable[[str], Client]) -> None:
    assert client_of("owner").get(ADDRESS)["Location"] == "/"


def test_the_administrations_session_ends_the_same_day(house: House) -> None:
    Person.objects.filter(pk=house["coordinator"].pk).update(is_staff=True)
    staff, member = Client(), Client()
    _try(staff, "coordinator@example.org")
    _try(member, "owner@example.org")
    assert (staff.session.get_expiry_age(), member.session.get_expiry_age()) == (12 * 3600, 14 * 24 * 3600)


def test_guesses_are_slowed_down_before_a_password_is_worked_out(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    worked_out = []
    real = authenticate

    def counted(*args: Any, **kwargs: Any) -> Any:
        worked_out.append(1)
        return real(*args, **kwargs)

    monkeypatch.setattr(service, "authenticate", counted)
    texts = []
    for number in range(1_000):
        refused = NOW + dt.timedelta(seconds=number / 10)  # ten a second, from fifty addresses
        with pytest.raises(Refusal) as info:
            sign_in_try(
                "owner@example.org",
                password=f"guess {number}",
                devices={},
                address=f"10.0.0.{number % 50}",
                now=refused,
            )
        texts.append(str(info.value.text))
    assert 5 <= len(worked_out) <= 30
    assert SLOW in texts[-1]


def _guess(times: int) -> int:
    """So many guesses at one account from fifty addresses, ten a second. How many were refused without a look."""
    slowed = 0
    for number in range(times):
        moment, address = NOW + dt.timedelta(seconds=number / 10), f"10.0.0.{number % 50}"
        with pytest.raises(Refusal) as info:
            sign_in_try("owner@example.org", password=f"guess {number}", devices={}, address=address, now=moment)
        slowed += info.value.rule == "slowed_down"
    return slowed


def test_of_a_thousand_guesses_few_are_looked_at_and_the_owner_signs_in_meanwhile(house: House) -> None:
    assert 1_000 - _guess(1_000) <= 30
    end, known = NOW + dt.timedelta(seconds=100), {house["owner"].pk: "own device"}
    owner = sign_in_try("owner@example.org", password=PASSWORD, devices=known, address="10.0.0.1", now=end)
    assert owner == house["owner"]


def test_without_the_waiting_every_guess_would_be_looked_at(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    """The control."""
    monkeypatch.setattr(service, "slowdown_take", lambda buckets, now: 0)
    assert _guess(100) == 0


def test_the_owner_signs_in_on_a_known_device_while_somebody_guesses(house: House) -> None:
    owner = Client()
    _try(owner, "owner@example.org")
    owner.post(reverse("accounts:sign_out"))
    for _ in range(8):
        _try(Client(), "owner@example.org", "guess")
    assert SLOW in _try(Client(), "owner@example.org").content.decode()
    assert _try(owner, "owner@example.org").status_code == 302


def test_a_device_that_is_known_for_one_person_says_nothing_for_another(house: House) -> None:
    stranger = Client()
    _try(stranger, "stranger@example.org")
    stranger.post(reverse("accounts:sign_out"))
    for _ in range(6):
        _try(stranger, "owner@example.org", "guess")
    assert SLOW in _try(stranger, "owner@example.org", "guess").content.decode()


def test_a_made_up_device_is_not_known(house: House) -> None:
    client = Client()
    client.cookies[DEVICE_COOKIE] = f"{house['owner'].pk}:made-up"
    for _ in range(6):
        _try(client, "owner@example.org", "guess")
    assert SLOW in _try(client, "owner@example.org").content.decode()


def test_a_known_device_has_to_wait_for_its_own_guesses(house: House) -> None:
    client = Client()
    _try(client, "owner@example.org")
    client.post(reverse("accounts:sign_out"))
    for _ in range(11):
        _try(client, "owner@example.org", "guess")
    assert SLOW in _try(client, "owner@example.org").content.decode()


def test_one_address_that_tries_many_accounts_is_slowed_down_and_others_are_not(house: House) -> None:
    for number in range(21):
        _try(Client(), f"guess{number}@example.org", "guess", REMOTE_ADDR="10.1.1.1")
    assert SLOW in _try(Client(), "owner@example.org", REMOTE_ADDR="10.1.1.1").content.decode()
    assert _try(Client(), "owner@example.org", REMOTE_ADDR="10.1.1.2").status_code == 302


def test_behind_a_proxy_its_word_on_the_address_counts_and_the_senders_does_not(
    house: House, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("django.conf.settings.BEHIND_PROXY", True)
    for number in range(21):
        _try(Client(), f"g{number}@example.org", "guess", HTTP_X_FORWARDED_FOR=f"10.9.9.{number}, 10.1.1.1")
    slowed = _try(Client(), "owner@example.org", HTTP_X_FORWARDED_FOR="10.8.8.8, 10.1.1.1")
    assert SLOW in slowed.content.decode()
    assert _try(Client(), "owner@example.org", HTTP_X_FORWARDED_FOR="10.1.1.1, 10.1.1.2").status_code == 302


def test_waits_double_up_to_a_quarter_of_an_hour() -> None:
    waits = [int(wait_after(tries, free_tries=5).total_seconds()) for tries in (1, 4, 5, 6, 7, 13, 14, 500)]
    assert waits == [0, 0, 2, 4, 8, 512, 900, 900]


def test_a_refused_try_counts_for_nothing_and_a_quiet_day_is_forgotten() -> None:
    bucket = Bucket("account", "x@example.org", free_tries=1)
    waits = [slowdown_take([bucket], now=NOW + dt.timedelta(seconds=second)) for second in (0, 1, 1.5, 2, 3)]
    assert waits == [0, 1, 1, 0, 3]
    assert slowdown_take([bucket], now=NOW + dt.timedelta(days=2)) == 0
    assert [row.tries for row in Slowdown.objects.all()] == [1]


def test_a_shared_address_gets_back_what_turned_out_well() -> None:
    bucket = Bucket("address", "10.0.0.1", free_tries=2)
    slowdown_take([bucket], now=NOW)
    slowdown_take([bucket], now=NOW)
    slowdown_give_back(bucket, now=NOW)
    assert slowdown_take([bucket], now=NOW) == 0
    assert [row.tries for row in Slowdown.objects.all()] == [2]


def test_addresses_are_kept_as_digests_only(house: House) -> None:
    _try(Client(), "owner@example.org", "guess", REMOTE_ADDR="10.1.1.1")
    keys = list(Slowdown.objects.values_list("key", flat=True))
    assert [key.partition(":")[0] for key in keys] == ["account", "address"]
    assert not any("owner" in key or "10.1.1.1" in key for key in keys)


def test_signing_out_ends_the_session(client_of: Callable[[str], Client]) -> None:
    client = client_of("owner")
    assert client.post(reverse("accounts:sign_out"))["Location"] == ADDRESS
    assert client.get(reverse("accounts:settings"))["Location"].startswith(ADDRESS)


def test_a_change_of_password_ends_the_other_sessions_and_keeps_this_one(
    client_of: Callable[[str], Client], house: House
) -> None:
    here, elsewhere = client_of("owner"), client_of("owner")
    new = "swarm in the plum tree"
    response = here.post(reverse("accounts:password"), {"current": PASSWORD, "password": new})
    assert response["Location"] == reverse("accounts:settings")
    assert here.get(reverse("accounts:settings")).status_code == 200
    assert elsewhere.get(reverse("accounts:settings"))["Location"].startswith(ADDRESS)
    assert Person.objects.get(pk=house["owner"].pk).check_password(new)


@pytest.mark.parametrize(
    ("current", "password", "text"),
    [
        ("not it", "swarm in the plum tree", "This is not your password of now."),
        (PASSWORD, "short", "at least 12 characters"),
        (PASSWORD, "owner@example.org", "too similar"),
    ],
)
def test_a_refused_change_of_password_keeps_the_old_one(
    client_of: Callable[[str], Client], house: House, current: str, password: str, text: str
) -> None:
    page = client_of("owner").post(reverse("accounts:password"), {"current": current, "password": password})
    assert text in page.content.decode()
    assert Person.objects.get(pk=house["owner"].pk).check_password(PASSWORD)


def test_the_practice_sign_ins_stand_on_the_page_only_where_there_is_a_practice_season(house: House) -> None:
    assert "practice season" not in Client().get(ADDRESS).content.decode()
    house.cooperative.is_practice = True
    house.cooperative.save(update_fields=["is_practice"])
    page = Client().get(ADDRESS).content.decode()
    assert "coordinator@example.org" in page
    assert "drones before noon" in page


def test_served_sites_never_print_the_practice_sign_ins(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    house.cooperative.is_practice = True
    house.cooperative.save(update_fields=["is_practice"])
    monkeypatch.setattr("django.conf.settings.SERVED", True)
    assert "coordinator@example.org" not in Client().get(ADDRESS).content.decode()


def test_no_mail_is_sent_by_signing_in(house: House) -> None:
    _try(Client(), "owner@example.org")
    assert not KeptMail.objects.exists()
