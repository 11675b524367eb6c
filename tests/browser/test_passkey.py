"""A passkey from the device to the session: made, used alone, used as the second step, refused when it is gone."""

from typing import Any

import pytest
from allauth.mfa.models import Authenticator
from django.contrib.sessions.backends.db import SessionStore
from django.contrib.sessions.models import Session
from django.urls import reverse

from accounts.models import Person
from accounts.practice import PRACTICE_PASSWORD
from accounts.views.shared import CONFIRMED_KEY
from tests.browser.conftest import Open
from tests.browser.seat import Seat
from tests.factories import MemberPersonFactory, PersonFactory

pytestmark = [
    pytest.mark.browser,
    pytest.mark.django_db(transaction=True),
    pytest.mark.usefixtures("own_transactions"),
]

EMAIL = "ada@example.org"


@pytest.fixture
def person() -> Person:
    one: Person = PersonFactory.create(name="Ada", email=EMAIL, password=PRACTICE_PASSWORD)
    MemberPersonFactory(person=one)
    return one


def with_authenticator(seat: Seat, *, verified: bool = True) -> Any:
    """Chromium's own pretended device: it keeps keys and says that it saw a finger."""
    session = seat.page.context.new_cdp_session(seat.page)
    session.send("WebAuthn.enable")
    options = {"protocol": "ctap2", "transport": "internal", "hasResidentKey": True, "hasUserVerification": True}
    session.send(
        "WebAuthn.addVirtualAuthenticator",
        {"options": {**options, "isUserVerified": verified, "automaticPresenceSimulation": True}},
    )
    return session


def added(seat: Seat) -> None:
    seat.goto("accounts:second_step_passkey")
    seat.fill(name="Phone")
    seat.press("Add the passkey")
    seat.sees_heading("Write these codes down now")


def test_a_passkey_signs_in_alone_and_as_the_second_step(person: Person, seat: Open) -> None:
    one = seat(EMAIL)
    with_authenticator(one)
    added(one)
    assert Authenticator.objects.filter(user=person, type="webauthn").count() == 1

    one.page.context.clear_cookies()
    one.goto("accounts:sign_in")
    one.press("Sign in with a passkey")
    one.page.wait_for_url(one.site + "/")

    one.page.context.clear_cookies()
    one.goto("accounts:sign_in")
    one.fill(email=EMAIL, password=PRACTICE_PASSWORD)
    one.page.locator("main").get_by_role("button", name="Sign in", exact=True).click()
    one.page.wait_for_url("**" + reverse("accounts:sign_in_second"))
    one.press("Take the passkey")
    one.page.wait_for_url(one.site + "/")
    assert [text for text in one.said if "Content Security Policy" in text] == []


def test_a_passkey_that_was_removed_signs_nobody_in(person: Person, seat: Open) -> None:
    one = seat(EMAIL)
    with_authenticator(one)
    added(one)
    one.rest()
    Authenticator.objects.all().delete()
    one.page.context.clear_cookies()
    one.goto("accounts:sign_in")
    one.press("Sign in with a passkey")
    one.sees("This passkey is not known here")
    assert one.goto("accounts:settings") == 200
    one.sees_heading("Sign in")


def test_a_page_that_is_asked_for_again_meanwhile_still_adds_one(person: Person, seat: Open) -> None:
    """As the device does that keeps the page for later."""
    one = seat(EMAIL)
    with_authenticator(one)
    one.goto("accounts:second_step_passkey")
    assert one.page.evaluate("fetch(location.href).then((answer) => answer.status)") == 200
    one.fill(name="Phone")
    one.press("Add the passkey")
    one.sees_heading("Write these codes down now")


def test_a_password_that_was_said_too_long_ago_is_asked_for_again(person: Person, seat: Open) -> None:
    one = seat(EMAIL)
    with_authenticator(one)
    one.goto("accounts:second_step_passkey")
    for session in Session.objects.all():
        store = SessionStore(session.session_key)
        del store[CONFIRMED_KEY]
        store.save()
    one.fill(name="Phone")
    one.press("Add the passkey")
    one.sees_heading("Your password")
    one.fill(current=PRACTICE_PASSWORD)
    one.send()
    one.sees_heading("Add a passkey")
    assert not Authenticator.objects.exists()


def test_a_device_that_verifies_nobody_adds_nothing(person: Person, seat: Open) -> None:
    one = seat(EMAIL)
    with_authenticator(one, verified=False)
    one.goto("accounts:second_step_passkey")
    one.fill(name="Phone")
    one.press("Add the passkey")
    one.sees("That did not work.")
    assert not Authenticator.objects.exists()
