"""Every page of this app as owner, colleague, stranger, coordinator, breeder, other cooperative, nobody, anonymous."""

from collections.abc import Callable
from typing import Any

import pytest
from allauth.mfa.models import Authenticator
from django.contrib.sessions.backends.db import SessionStore
from django.test import Client
from django.urls import URLPattern, URLResolver, get_resolver, reverse
from django.utils import timezone

from accounts.access import MEMBER_OF_THING
from accounts.models import (
    Apiary,
    ApiToken,
    KeptMail,
    Member,
    MemberPerson,
    OpenSession,
    PushDevice,
    RoleGrant,
    SavedView,
    Webhook,
)
from accounts.services.apiaries import apiary_change
from accounts.services.invitations import invitation_make
from accounts.services.webhook_events import delivery_of
from accounts.webhooks import secret_make
from tests.accounts.browser import Browser
from tests.accounts.conftest import House
from tests.factories import NOW, MemberFactory

pytestmark = pytest.mark.django_db

SIGN_IN, ELSEWHERE = "accounts:sign_in", "accounts:no_cooperative"
Codes = dict[str, int | str]
EVERYONE: Codes = {
    **dict.fromkeys(["owner", "colleague", "stranger", "coordinator", "breeder", "other cooperative"], 200),
    "nobody": ELSEWHERE,
    "anonymous": SIGN_IN,
}
COORDINATORS: Codes = {**EVERYONE, **dict.fromkeys(["owner", "colleague", "stranger", "breeder"], 403)}
COORDINATOR: Codes = {**COORDINATORS, "other cooperative": 404}
OWN_OR_404: Codes = {**EVERYONE, "stranger": 404, "breeder": 404, "other cooperative": 404}
OWN_OR_403: Codes = {**OWN_OR_404, "stranger": 403, "breeder": 403}
OWN_DEVICE: Codes = {**EVERYONE, **dict.fromkeys(["colleague", "stranger", "coordinator", "breeder"], 404)}
OWN_DEVICE["other cooperative"] = 404
ASKED: Codes = {**dict.fromkeys(EVERYONE, "accounts:confirm"), "anonymous": SIGN_IN}  # the password, once more
OPEN: Codes = {who: 200 if code != 200 else "today" for who, code in EVERYONE.items()} | {"nobody": "today"}

# name: (what it is about, who gets what from GET)
PAGES: dict[str, tuple[str, Codes]] = {
    "sign_in": ("", OPEN),
    "no_cooperative": ("", {**dict.fromkeys(EVERYONE, "today"), "nobody": 200, "anonymous": SIGN_IN}),
    "more": ("", EVERYONE),
    "settings": ("", EVERYONE),
    "email": ("", EVERYONE),
    "forget_self": ("", EVERYONE),
    "password": ("", {**EVERYONE, "nobody": 200}),
    "confirm": ("", {**EVERYONE, "nobody": 200}),
    "second_step": ("", {**EVERYONE, "nobody": 200}),
    "second_step_app": ("", ASKED),
    "second_step_passkey": ("", ASKED),
    "passkey_challenge": ("", ASKED),
    "second_step_remove": ("factor", ASKED),
    "recovery_codes": ("", ASKED),
    "sessions": ("", {**EVERYONE, "nobody": 200}),
    "sign_in_second": ("", dict.fromkeys(EVERYONE, SIGN_IN)),
    "sign_in_second_challenge": ("", dict.fromkeys(EVERYONE, 404)),
    "sign_in_passkey": ("", dict.fromkeys(EVERYONE, 200)),
    "devices": ("", EVERYONE),
    "tokens": ("", EVERYONE),
    "gateway": ("", COORDINATORS),
    "webhooks": ("", COORDINATORS),
    "webhook": ("webhook", COORDINATOR),
    "cooperative_language": ("", COORDINATORS),
    "password_reset": ("", dict.fromkeys(EVERYONE, 200)),
    "password_link_sent": ("", dict.fromkeys(EVERYONE, 200)),
    "password_new": ("link", dict.fromkeys(EVERYONE, 200)),
    "members": ("", COORDINATORS),
    "member_add": ("", COORDINATORS),
    "person_add": ("", COORDINATORS),
    "member": ("member", OWN_OR_403),
    "member_edit": ("member", OWN_OR_403),
    "member_leave": ("member", COORDINATOR),
    "join": ("invitation link", dict.fromkeys(EVERYONE, 200)),
    "person": ("person", COORDINATOR),
    "person_forget": ("person", COORDINATOR),
    "apiaries": ("", EVERYONE),
    "apiary_add": ("", {**EVERYONE, "breeder": 403}),
    "apiary": ("apiary", OWN_OR_404),
    "apiary_close": ("apiary", OWN_OR_404),
    "history": ("", COORDINATORS),
    "history_of": ("apiary history", OWN_OR_404),
    "history_csv": ("", COORDINATORS),
    "history_of_csv": ("apiary history", OWN_OR_404),
    "members_csv": ("", COORDINATORS),
    "mail": ("", EVERYONE),
    "mail_read": ("mail", {**EVERYONE, **dict.fromkeys(set(EVERYONE) - {"owner", "nobody", "anonymous"}, 404)}),
}


def _acted(codes: Codes) -> Codes:
    return {who: 302 if code == 200 else code for who, code in codes.items()}


GATEWAYS: Codes = {**COORDINATORS, "coordinator": 404, "other cooperative": 404}  # there is none yet
ACTS: dict[str, tuple[str, Codes]] = {
    "device_add": ("", {**EVERYONE, **dict.fromkeys([who for who, code in EVERYONE.items() if code == 200], 422)}),
    "view_save": ("", _acted(EVERYONE)),
    "view_remove": ("view", _acted(OWN_DEVICE)),
    "view_restore": ("view", _acted(OWN_DEVICE)),
    "device_end": ("device", _acted(OWN_DEVICE)),
    "device_test": ("device", _acted(OWN_DEVICE)),
    "session_end": ("session", {**_acted(OWN_DEVICE), "nobody": 404}),
    "sessions_end": ("", {**_acted(EVERYONE), "nobody": 302}),
    "second_step_reset": ("person", _acted(COORDINATOR)),
    "token_end": ("token", _acted(OWN_DEVICE)),
    "gateway_secret": ("", GATEWAYS),
    "gateway_off": ("", GATEWAYS),
    "gateway_test": ("", GATEWAYS),
    "webhook_secret": ("webhook", COORDINATOR),
    "webhook_switch": ("webhook", _acted(COORDINATOR)),
    "webhook_test": ("webhook", _acted(COORDINATOR)),
    "webhook_end": ("webhook", _acted(COORDINATOR)),
    "webhook_again": ("webhook call", _acted(COORDINATOR)),
    "language": ("", dict.fromkeys(EVERYONE, "today")),
    "sign_out": ("", dict.fromkeys(EVERYONE, SIGN_IN)),
    "role": ("", _acted(EVERYONE)),
    "cooperative": ("", {**dict.fromkeys(EVERYONE, 404), "nobody": ELSEWHERE, "anonymous": SIGN_IN}),
    "invitation_again": ("invitation", _acted(COORDINATOR)),
    "invitation_end": ("invitation", _acted(COORDINATOR)),
    "member_return": ("member", _acted(COORDINATOR)),
    "member_person_remove": ("member person", _acted(COORDINATOR)),
    "person_join": ("person", _acted(COORDINATOR)),
    "person_link": ("person", _acted(COORDINATOR)),
    "apiary_reopen": ("apiary", _acted(OWN_OR_404)),
}


def _address(name: str, about: str, house: House) -> str:
    args: dict[str, list[Any]] = {
        "": [],
        "member": [house.member.pk],
        "person": [house["owner"].pk],
        "member person": [house.member.pk, house["owner"].pk],
        "apiary": [house.apiary.pk],
        "apiary history": ["accounts.apiary", house.apiary.pk],
        "link": ["MQ", "not-a-token"],
    }
    if about == "apiary history":
        apiary_change(house.apiary, name="Orchard", place="by the brook", registration_number="", time_zone="",
                      by=house["owner"], now=NOW)  # fmt: skip
    if about == "mail":
        mail = KeptMail.objects.create(to=house["owner"].email, subject="For you", text="x", message_id="1")
        args["mail"] = [mail.pk]
    if about == "view":
        view = SavedView.objects.create(
            person=house["owner"], cooperative=house.member.cooperative, page="standing", name="Mine", made_at=NOW
        )
        args["view"] = [view.pk]
    if about == "device":
        keys = Browser().keys  # its address leads to this machine, so it is refused, not called
        device = PushDevice.objects.create(
            person=house["owner"], endpoint="https://127.0.0.1/1", **keys, name="Phone", made_at=NOW
        )
        args["device"] = [device.pk]
    if about.startswith("invitation"):
        made, link = invitation_make(
            house.cooperative,
            name="Ada",
            email="ada@example.org",
            member=house.member,
            by=house["coordinator"],
            now=timezone.now(),
        )
        args |= {"invitation": [made.pk], "invitation link": [link.split("/")[-2]]}
    if about == "factor":
        args["factor"] = [Authenticator.objects.create(user=house["owner"], type="totp", data={}).pk]
    if about == "session":
        store = SessionStore()
        store.create()
        args["session"] = [
            OpenSession.objects.create(
                person=house["owner"], session_key=str(store.session_key), device="Phone", begun_at=NOW, seen_at=NOW
            ).pk
        ]
    if about.startswith("webhook"):  # its address leads to this machine, so it is refused, not called
        webhook = Webhook.objects.create(
            cooperative=house.cooperative, name="Chat", url="https://127.0.0.1/", secret=secret_make(), made_at=NOW
        )
        call = delivery_of(webhook, "plan.publish", at=NOW, data={})
        call.save()
        args |= {"webhook": [webhook.pk], "webhook call": [webhook.pk, call.pk]}
    if about == "token":
        token = ApiToken.objects.create(
            person=house["owner"], cooperative=house.member.cooperative, name="Scale", token_hash="0", made_at=NOW
        )
        args["token"] = [token.pk]
    return reverse(f"accounts:{name.replace('history_of', 'history')}", args=args[about])


def _cases(table: dict[str, tuple[str, Codes]]) -> list[tuple[str, str, int | str]]:
    return [(name, who, code) for name, (_, codes) in table.items() for who, code in codes.items()]


def test_every_route_of_the_app_stands_in_the_tables() -> None:
    parts = get_resolver().url_patterns
    resolvers = [part for part in parts if isinstance(part, URLResolver) and part.app_name == "accounts"]
    names = {
        pattern.name for resolver in resolvers for pattern in resolver.url_patterns if isinstance(pattern, URLPattern)
    }
    assert names == {*PAGES, *ACTS, "health_live"} - {"history_of", "history_of_csv"}


@pytest.mark.parametrize(("name", "who", "expected"), _cases(PAGES))
def test_who_may_open_which_page(
    client_of: Callable[[str], Client], house: House, name: str, who: str, expected: int | str
) -> None:
    response = client_of(who).get(_address(name, PAGES[name][0], house))
    if isinstance(expected, str):
        assert (response.status_code, response["Location"].split("?")[0]) == (302, reverse(expected))
    else:
        assert response.status_code == expected


@pytest.mark.parametrize(("name", "who", "expected"), _cases(ACTS))
def test_who_may_do_what(
    client_of: Callable[[str], Client], house: House, name: str, who: str, expected: int | str
) -> None:
    address = _address(name, ACTS[name][0], house)
    client = client_of(who)
    assert client.get(address).status_code in ({405} if isinstance(expected, int) else {302, 405})
    response = client.post(address, {"role": "member", "cooperative": "0", "member": house.neighbour.pk})
    if isinstance(expected, str):
        assert (response.status_code, response["Location"].split("?")[0]) == (302, reverse(expected))
    else:
        assert response.status_code == expected
    may = who == "coordinator"
    if name == "member_person_remove":
        assert MemberPerson.objects.filter(member=house.member, person=house["owner"]).exists() is not may
    if name == "person_join":
        assert MemberPerson.objects.filter(member=house.neighbour, person=house["owner"]).exists() is may


@pytest.mark.parametrize("who", ["owner", "stranger", "breeder", "other cooperative"])
def test_posting_to_pages_of_others_changes_nothing(client_of: Callable[[str], Client], house: House, who: str) -> None:
    client = client_of(who)
    posts: list[tuple[str, list[int], dict[str, object]]] = [
        ("member_leave", [house.member.pk], {"left_on": "2026-01-01"}),
        ("person", [house["breeder"].pk], {"roles": ["coordinator"]}),
    ]
    if who != "owner":
        posts += [
            ("apiary", [house.apiary.pk], {"name": "Taken over"}),
            ("apiary_close", [house.apiary.pk], {"closed_on": "2026-01-01"}),
            ("member_edit", [house.member.pk], {"name": "Taken over"}),
        ]
    codes = {client.post(reverse(f"accounts:{name}", args=args), data).status_code for name, args, data in posts}
    assert codes <= {403, 404}
    assert Member.objects.filter(pk=house.member.pk, name="Fellside", left_on=None).exists()
    assert Apiary.objects.filter(pk=house.apiary.pk, name="Orchard", closed_on=None).exists()
    assert set(RoleGrant.objects.filter(person=house["breeder"]).values_list("role", flat=True)) == {"breeder"}


def test_a_person_of_a_member_cannot_rename_it(client_of: Callable[[str], Client], house: House) -> None:
    address = reverse("accounts:member_edit", args=[house.member.pk])
    client_of("owner").post(address, {"name": "Mine alone", "deputy": house["breeder"].pk})
    house.member.refresh_from_db()
    assert (house.member.name, house.member.deputy) == ("Fellside", house["breeder"])


def test_an_apiary_cannot_be_added_for_another_member(client_of: Callable[[str], Client], house: House) -> None:
    client_of("stranger").post(reverse("accounts:apiary_add"), {"name": "Slipped in", "member": house.member.pk})
    assert list(Apiary.objects.filter(name="Slipped in").values_list("member__name", flat=True)) == ["Moorside"]


@pytest.mark.parametrize(
    ("who", "sees"), [("owner", True), ("colleague", True), ("coordinator", True), ("stranger", False)]
)
def test_lists_show_the_place_of_an_apiary_to_its_own_people_and_the_coordinator(
    client_of: Callable[[str], Client], house: House, who: str, sees: bool
) -> None:
    page = client_of(who).get(reverse("accounts:apiaries")).content.decode()
    assert ("behind the barn" in page) is sees


def test_the_coordinator_of_another_cooperative_sees_only_their_own_members(
    client_of: Callable[[str], Client], house: House
) -> None:
    page = client_of("other cooperative").get(reverse("accounts:members")).content.decode()
    assert "Daleside" in page
    assert "Fellside" not in page


def test_persons_of_a_member_that_left_no_longer_act_for_it(client_of: Callable[[str], Client], house: House) -> None:
    Member.objects.filter(pk=house.member.pk).update(left_on=NOW.date())
    response = client_of("owner").get(reverse("accounts:apiaries"))
    assert response["Location"] == reverse(ELSEWHERE)


def test_the_way_from_each_kind_of_thing_to_its_member_exists(house: House) -> None:
    from django.apps import apps

    other = MemberFactory()
    for kind, path in MEMBER_OF_THING.items():
        assert apps.get_model(kind)._default_manager.filter(**{f"{path}__in": [other.pk]}).count() in (0, 1)


@pytest.mark.parametrize("kind", ["accounts.person", "accounts.job", "no.such", "nonsense", "breeding.queen"])
def test_the_history_of_what_is_not_ones_own_does_not_exist(
    client_of: Callable[[str], Client], house: House, kind: str
) -> None:
    address = reverse("accounts:history", args=[kind, house["stranger"].pk])
    assert client_of("owner").get(address).status_code == 404
    assert client_of("coordinator").get(address).status_code == 404
