"""Invitations: who comes in by the link, as what, how often, until when, and what takes them back."""

import datetime as dt
import re
import threading
from collections.abc import Callable
from typing import Any

import pytest
from django.contrib.auth import SESSION_KEY
from django.db import connections
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from accounts.models import AuditEntry, Invitation, KeptMail, Member, Person, RoleGrant
from accounts.refusals import Refusal
from accounts.services import invitations as service
from accounts.services.invitations import (
    invitation_again,
    invitation_end,
    invitation_make,
    invitation_of,
    invitation_take,
    invitation_take_as,
)
from tests.accounts.conftest import House
from tests.factories import NOW, PersonFactory

pytestmark = pytest.mark.django_db

PASSWORD = "swarm in the plum tree"
ADA = {"name": "Ada Fell", "email": "ada@example.org"}
LINK = re.compile(r"http://[^<\s]+(/join/[\w-]+/)")
OVER = "This invitation works no more"


def invite(house: House, *, now: dt.datetime = NOW, **more: Any) -> tuple[Invitation, str]:
    given = {**ADA, "member": house.member, "roles": ["operator"], "by": house["coordinator"], **more}
    made, link = invitation_make(house.cooperative, **given, now=now)
    return made, "/" + link.split("/", 3)[3]


def token_of(path: str) -> str:
    return path.split("/")[2]


def test_from_the_coordinators_page_to_the_first_session(house: House, client_of: Callable[[str], Client]) -> None:
    coordinator = client_of("coordinator")
    filled = {**ADA, "member": house.member.pk, "roles": ["operator"]}
    page = coordinator.post(reverse("accounts:person_add"), filled, follow=True).content.decode()
    found = LINK.search(page)
    assert found is not None
    assert not Person.objects.filter(email=ADA["email"]).exists()
    assert not LINK.search(coordinator.get(reverse("accounts:members")).content.decode())

    visitor = Client()
    shown = visitor.get(found[1])
    assert "You are invited to Fells" in shown.content.decode()
    assert (shown["X-Robots-Tag"], "no-store" in shown["Cache-Control"]) == ("noindex", True)
    assert "at least 12 characters" in visitor.post(found[1], {"name": "Ada", "password": "short"}).content.decode()
    assert visitor.post(found[1], {"name": "Ada F.", "password": PASSWORD})["Location"] == "/"
    ada = Person.objects.get(email=ADA["email"])
    assert (ada.name, visitor.session[SESSION_KEY]) == ("Ada F.", str(ada.pk))
    assert list(ada.members.all()) == [house.member]
    assert list(ada.role_grants.values_list("role", flat=True)) == ["operator"]
    assert OVER in Client().get(found[1]).content.decode()
    actions = AuditEntry.objects.order_by("pk").values_list("action", "by__name")
    assert list(actions) == [
        ("invitation.make", "coordinator"),
        ("person.add", "coordinator"),
        ("member.person_add", "coordinator"),
        ("role.grant", "coordinator"),
        ("invitation.take", "Ada F."),
    ]


def test_the_invited_address_gets_the_link_and_the_database_does_not_hold_it(
    house: House, settings: Any, django_capture_on_commit_callbacks: Any
) -> None:
    settings.EMAIL_BACKEND = "accounts.mail.KeptMailBackend"
    with django_capture_on_commit_callbacks(execute=True):
        _made, path = invite(house)
    mail = KeptMail.objects.get()
    assert mail.to == ADA["email"]
    assert path in mail.text
    assert token_of(path) not in str(list(Invitation.objects.values()))


def test_it_works_for_fourteen_days(house: House) -> None:
    _made, path = invite(house)
    last = NOW + dt.timedelta(days=14)
    assert invitation_of(token_of(path), now=last - dt.timedelta(seconds=1)) is not None
    assert invitation_of(token_of(path), now=last) is None


def test_taken_back_it_works_no_more_also_for_whoever_has_the_page_open(house: House) -> None:
    made, path = invite(house)
    for _ in range(2):
        invitation_end(made, by=house["coordinator"], now=NOW)
    assert invitation_of(token_of(path), now=NOW) is None
    with pytest.raises(Refusal, match="taken up or taken back"):
        invitation_take(made, name="Ada", password=PASSWORD, now=NOW)
    assert not Person.objects.filter(email=ADA["email"]).exists()
    assert AuditEntry.objects.filter(action="invitation.end").count() == 1


def test_a_new_link_or_a_second_invitation_ends_the_earlier_one(house: House) -> None:
    made, first = invite(house)
    second = invitation_again(made, by=house["coordinator"], now=NOW)
    assert invitation_of(token_of(first), now=NOW) is None
    _other, third = invite(house, email="ADA@example.org")
    assert invitation_of(second.split("/")[-2], now=NOW) is None
    assert invitation_of(token_of(third), now=NOW) is not None


def test_whoever_invited_must_still_be_coordinator_and_the_member_still_here(house: House) -> None:
    _made, path = invite(house)
    RoleGrant.objects.filter(person=house["coordinator"]).delete()
    assert invitation_of(token_of(path), now=NOW) is None
    RoleGrant.objects.create(person=house["coordinator"], cooperative=house.cooperative, role="coordinator")
    assert invitation_of(token_of(path), now=NOW) is not None
    Member.objects.filter(pk=house.member.pk).update(left_on=NOW.date())
    assert invitation_of(token_of(path), now=NOW) is None


def test_who_is_known_by_then_signs_in_and_comes_in_as_themselves(
    house: House, client_of: Callable[[str], Client]
) -> None:
    _made, path = invite(house, now=timezone.now())
    ada = PersonFactory(email="Ada@example.org", name="Ada")
    assert "signs in here already" in Client().get(path).content.decode()
    stranger = client_of("stranger")
    stranger.post(path)
    assert not ada.members.exists()
    own = Client()
    own.force_login(ada)
    assert own.post(path)["Location"] == "/"
    assert list(ada.members.all()) == [house.member]
    assert not house.member.persons.filter(pk=house["stranger"].pk).exists()


def test_another_address_does_not_take_it_up(house: House) -> None:
    made, _path = invite(house)
    with pytest.raises(Refusal, match="This invitation is for"):
        invitation_take_as(made, person=house["stranger"], now=NOW)


def test_an_address_that_signs_in_already_comes_in_at_once(house: House, client_of: Callable[[str], Client]) -> None:
    filled = {"name": "x", "email": "nobody@example.org", "member": house.member.pk}
    answer = client_of("coordinator").post(reverse("accounts:person_add"), filled)
    assert answer["Location"] == reverse("accounts:person", args=[house["nobody"].pk])
    assert list(house["nobody"].members.all()) == [house.member]
    assert not Invitation.objects.exists()


def test_nobody_is_invited_to_nothing(house: House) -> None:
    with pytest.raises(Refusal, match="Choose a member or at least one role"):
        invite(house, member=None, roles=[])


def test_a_made_up_link_leads_nowhere(house: House) -> None:
    invite(house)
    answer = Client().get(reverse("accounts:join", args=["made-up"]))
    assert (answer.status_code, OVER in answer.content.decode()) == (410, True)


def take_twice(house: House) -> tuple[int, list[str]]:
    """Two who press the button at the same moment: how many came in, and what stopped the others."""
    made, _path = invite(house)
    gate, stopped = threading.Barrier(2), []

    def press(name: str) -> None:
        gate.wait()
        try:
            invitation_take(made, name=name, password=PASSWORD, now=NOW)
        except Refusal as refusal:
            stopped.append(refusal.rule)
        finally:
            connections.close_all()

    threads = [threading.Thread(target=press, args=(name,)) for name in ("Ada", "Eve")]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    return AuditEntry.objects.filter(action="invitation.take").count(), stopped


@pytest.mark.postgres
@pytest.mark.django_db(transaction=True)
def test_of_two_at_once_one_comes_in(house: House) -> None:
    came, stopped = take_twice(house)
    assert came == 1
    assert stopped in (["invitation_over"], ["known"])


@pytest.mark.postgres
@pytest.mark.django_db(transaction=True)
def test_without_the_lock_two_known_people_would_come_in(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    """The control: the row as it was read before both pressed is not enough."""
    made, _path = invite(house)
    monkeypatch.setattr(service, "_still_open", lambda invitation, now: invitation)
    ada = PersonFactory(email=ADA["email"])
    for _ in range(2):
        invitation_take_as(made, person=ada, now=NOW)
    assert AuditEntry.objects.filter(action="invitation.take").count() == 2
