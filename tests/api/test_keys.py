"""Keys of programs: what they may do, how they are kept, how they end; the page they are made on."""

import datetime as dt
import hashlib
import logging
import re
from collections.abc import Callable
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse

from accounts.access import Viewer, viewer_of
from accounts.models import ApiToken, AuditEntry, Member, Scope
from accounts.refusals import Refusal
from accounts.services.tokens import MOST_TOKENS, token_end, token_make
from tests.api.conftest import House

pytestmark = pytest.mark.django_db


def viewer(house: House, who: str = "member") -> Viewer:
    found = viewer_of(house.people[who])
    assert found is not None
    return found


def now() -> dt.datetime:
    return dt.datetime.now(tz=dt.UTC)


def key_of(house: House, *scopes: str, days: int | None = None) -> tuple[ApiToken, dict[str, str]]:
    token, key = token_make(viewer(house), name="Scale", scopes=scopes or ["read"], days=days, now=now())
    return token, {"Authorization": f"Bearer {key}"}


def status(headers: dict[str, str], address: str = "me/") -> int:
    return int(Client().get(f"/api/v1/{address}", headers=headers).status_code)


def test_only_a_digest_of_the_key_is_kept_and_the_history_has_neither(house: House) -> None:
    token, key = token_make(viewer(house), name=" Scale ", scopes=["read"], days=30, now=now())
    assert re.fullmatch(r"bt_[\w-]{43}", key)
    assert token.token_hash == hashlib.sha256(key.encode()).hexdigest()
    assert (token.name, token.scopes, key.startswith(token.begins)) == ("Scale", ["read"], True)
    [entry] = AuditEntry.objects.filter(action="token.make")
    assert key not in str(entry.after)
    assert token.token_hash not in str(entry.after)


def test_a_key_acts_for_its_person_in_its_cooperative(house: House) -> None:
    _token, headers = key_of(house)
    said = Client().get("/api/v1/me/", headers=headers).json()
    assert said["id"] == house.people["member"].pk
    assert said["cooperative"]["id"] == house.cooperative.pk
    assert [member["name"] for member in said["members"]] == ["Fellside"]
    assert said["scopes"] == ["read"]


@pytest.mark.parametrize(
    ("scope", "address", "code"),
    [
        ("read", "apiaries/", 403),
        ("write:stock", "apiaries/", 400),
        ("write:stock", "batches/", 403),
        ("write:season", "batches/", 400),
        ("write:bookings", "bookings/", 400),
        ("write:season", "bookings/", 403),
        ("write:planning", "sessions/", 403),  # in scope, but not the coordinator
    ],
)
def test_a_key_does_what_it_was_made_for_and_nothing_else(house: House, scope: str, address: str, code: int) -> None:
    _token, headers = key_of(house, scope)
    answer = Client().post(f"/api/v1/{address}", {}, content_type="application/json", headers=headers)
    assert answer.status_code == code
    if code == 403 and scope != "write:planning":
        assert "write:" in answer.json()["detail"]


def test_a_key_without_read_reads_nothing(house: House) -> None:
    _token, headers = key_of(house, Scope.STOCK)
    assert status(headers) == 403


def test_a_key_that_has_ended_run_out_or_is_wrong_opens_nothing(house: House) -> None:
    token, headers = key_of(house, days=1)
    assert status(headers) == 200
    ApiToken.objects.update(expires_at=now() - dt.timedelta(seconds=1))
    assert status(headers) == 401
    ApiToken.objects.update(expires_at=None)
    token_end(token, now=now())
    assert status(headers) == 401
    assert status({"Authorization": "Bearer bt_wrong"}) == 401
    assert status({"Authorization": "Bearer"}) == 401
    assert status({"Authorization": "Bearer a b"}) == 401
    answer = Client().get("/api/v1/me/")
    assert (answer.status_code, answer["WWW-Authenticate"]) == (401, 'Bearer realm="Broodtide"')


def test_a_wrong_key_is_not_saved_by_a_session(house: House) -> None:
    client = Client()
    client.force_login(house.people["member"])
    assert client.get("/api/v1/me/", headers={"Authorization": "Bearer bt_wrong"}).status_code == 401


def test_a_key_ends_with_what_its_person_was(house: House) -> None:
    _token, headers = key_of(house)
    Member.objects.filter(pk=house.member.pk).update(left_on=now().date())
    assert status(headers) == 403
    Member.objects.filter(pk=house.member.pk).update(left_on=None)
    house.people["member"].is_active = False
    house.people["member"].save(update_fields=["is_active"])
    assert status(headers) == 401


def test_the_last_use_is_noted_but_not_with_every_request(
    house: House, django_assert_num_queries: Callable[..., Any]
) -> None:
    token, headers = key_of(house)
    status(headers)
    token.refresh_from_db()
    first = token.last_used_at
    assert first is not None
    status(headers)
    token.refresh_from_db()
    assert token.last_used_at == first


def test_a_person_has_a_limited_number_of_keys(house: House) -> None:
    for _ in range(MOST_TOKENS):
        key_of(house)
    with pytest.raises(Refusal, match="End one"):
        key_of(house)


def test_keys_stand_in_no_log(house: House, caplog: pytest.LogCaptureFixture) -> None:
    _token, headers = key_of(house)
    with caplog.at_level(logging.DEBUG):
        status(headers, "queens/999/")
        status({"Authorization": headers["Authorization"] + "x"})
    assert caplog.records
    assert headers["Authorization"].split()[1][:20] not in caplog.text


def test_the_page_makes_a_key_shows_it_once_and_ends_it(client_of: Callable[[str], Client], house: House) -> None:
    client, page = client_of("member"), reverse("accounts:tokens")
    made = client.post(page, {"name": "Scale", "scopes": ["read", "write:stock"], "days": "30"})
    assert made.status_code == 200
    assert made["Cache-Control"].startswith("max-age=0")
    [key] = re.findall(r"bt_[\w-]{43}", made.content.decode())
    assert status({"Authorization": f"Bearer {key}"}) == 200
    token = ApiToken.objects.get()
    assert token.expires_at is not None
    later = client.get(page).content.decode()
    assert key not in later
    assert token.begins in later
    client.post(reverse("accounts:token_end", args=[token.pk]))
    assert status({"Authorization": f"Bearer {key}"}) == 401
    assert AuditEntry.objects.filter(action="token.end").count() == 1


def test_the_page_says_what_is_missing(client_of: Callable[[str], Client]) -> None:
    answer = client_of("member").post(reverse("accounts:tokens"), {"name": "", "days": "7"})
    assert answer.status_code == 422
    assert not ApiToken.objects.exists()


def test_nobody_ends_or_sees_the_key_of_somebody_else(client_of: Callable[[str], Client], house: House) -> None:
    token, _headers = key_of(house)
    for who in ("colleague", "coordinator", "other cooperative"):
        assert client_of(who).post(reverse("accounts:token_end", args=[token.pk])).status_code == 404
        assert token.begins not in client_of(who).get(reverse("accounts:tokens")).content.decode()
    token.refresh_from_db()
    assert token.ended_at is None
