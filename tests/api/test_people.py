"""Members, people, roles and invitations, seasons and their figures: by programs as on the pages."""

from collections.abc import Callable
from typing import Any

import pytest
from django.test import Client

from accounts.models import AuditEntry, Invitation, Member, RoleGrant
from scheduling.models import Season, SeasonSetting
from tests.api.conftest import House
from tests.api.test_keys import key_of
from tests.factories import MemberFactory, PersonFactory, RoleGrantFactory

pytestmark = pytest.mark.django_db
ClientOf = Callable[[str], Client]


def ask(client: Client, method: str, address: str, body: Any = None, **headers: str) -> Any:
    return getattr(client, method)(
        f"/api/v1/{address}", data={} if body is None else body, content_type="application/json", headers=headers
    )


def test_a_member_is_added_renamed_leaves_and_comes_back(client_of: ClientOf, house: House) -> None:
    client = client_of("coordinator")
    made = ask(client, "post", "members/", {"name": "Holm"})
    address = made["Location"].removeprefix("/api/v1/")
    assert (made.status_code, made.json()) == (201, {"id": made.json()["id"], "name": "Holm", "left_on": None})
    deputy = house.people["operator"]
    given = {"name": "Holmside", "deputy": deputy.pk}
    changed = ask(client, "patch", address, given, **{"If-Match": made["ETag"]})
    assert changed.json()["name"] == "Holmside"
    left = ask(client, "post", f"{address}leave/", {"left_on": "2026-01-01"})
    assert left.json()["left_on"] == "2026-01-01"
    assert ask(client, "post", f"{address}return/").json()["left_on"] is None
    assert Member.objects.get(name="Holmside").deputy == deputy
    assert ask(client, "post", "members/", {"name": "holmside"}).status_code in {409, 422}


def test_a_member_names_its_deputy_and_not_itself(client_of: ClientOf, house: House) -> None:
    client, address = client_of("member"), f"members/{house.member.pk}/"
    deputy = {"deputy": house.people["operator"].pk}
    assert ask(client, "patch", address, deputy, **{"If-Match": "*"}).status_code == 200
    assert ask(client, "patch", address, {"name": "Mine"}, **{"If-Match": "*"}).status_code == 403
    stranger = {"deputy": house.people["other cooperative"].pk}
    assert ask(client, "patch", address, stranger, **{"If-Match": "*"}).status_code == 400
    house.member.refresh_from_db()
    assert (house.member.name, house.member.deputy) == ("Fellside", house.people["operator"])


def test_who_takes_over_gets_what_a_member_had(client_of: ClientOf, house: House) -> None:
    other = Member.objects.get(name="Moorside")
    body = {"left_on": "2026-01-01", "to": other.pk}
    assert ask(client_of("coordinator"), "post", f"members/{house.member.pk}/leave/", body).status_code == 200
    house.things["apiary"].refresh_from_db()
    assert house.things["apiary"].member == other


def test_people_with_their_roles_and_members(client_of: ClientOf, house: House) -> None:
    person = house.people["member"]
    found = ask(client_of("coordinator"), "get", f"people/?email={person.email.upper()}").json()["results"]
    assert found == [
        {
            "id": person.pk,
            "name": "member",
            "email": person.email,
            "phone": "",
            "is_active": True,
            "roles": [],
            "members": [house.member.pk],
        }
    ]


def test_roles_are_set_as_a_whole_and_a_coordinator_stays(client_of: ClientOf, house: House) -> None:
    client, person = client_of("coordinator"), house.people["member"]
    address = f"people/{person.pk}/roles/"
    seen = ask(client, "get", f"people/{person.pk}/")
    wanted = {"roles": ["breeder", "operator"]}
    assert ask(client, "put", address, wanted, **{"If-Match": seen["ETag"]}).json()["roles"] == wanted["roles"]
    assert ask(client, "put", address, {"roles": []}, **{"If-Match": seen["ETag"]}).status_code == 412
    assert ask(client, "put", address, {"roles": ["queen"]}, **{"If-Match": "*"}).status_code == 400
    last = ask(client, "put", f"people/{house.people['coordinator'].pk}/roles/", {"roles": []}, **{"If-Match": "*"})
    assert (last.status_code, last.json()["rule"]) == (422, "last_coordinator")
    granted = RoleGrant.objects.filter(person=person).values_list("role", flat=True)
    assert sorted(granted) == ["breeder", "operator"]
    assert AuditEntry.objects.filter(action="role.grant", by=house.people["coordinator"]).count() == 2


def test_whoever_belongs_here_no_more_is_not_shown(client_of: ClientOf, house: House) -> None:
    client = client_of("coordinator")
    operator, member = house.people["operator"], house.people["member"]
    assert ask(client, "put", f"people/{operator.pk}/roles/", {"roles": []}, **{"If-Match": "*"}).status_code == 204
    assert ask(client, "get", f"people/{operator.pk}/").status_code == 404
    further = MemberFactory(cooperative=house.cooperative)
    joined = ask(client, "post", f"people/{member.pk}/join/", {"member": further.pk})
    assert joined.json()["members"] == [house.member.pk, further.pk]
    assert ask(client, "post", f"people/{member.pk}/part/", {"member": further.pk}).status_code == 200
    assert ask(client, "post", f"people/{member.pk}/part/", {"member": house.member.pk}).status_code == 204


def test_an_invitation_goes_by_mail_and_its_link_nowhere_else(client_of: ClientOf, house: House) -> None:
    client = client_of("coordinator")
    body = {"name": "Bo", "email": "bo@example.org", "roles": ["operator"]}
    made = ask(client, "post", "invitations/", body)
    row = Invitation.objects.get(email="bo@example.org")
    assert (made.status_code, made.json()["id"], made.json()["roles"]) == (201, row.pk, ["operator"])
    assert set(made.json()) == {"id", "name", "email", "phone", "member", "roles", "made_at", "expires_at"}
    before = row.token_hash
    assert ask(client, "post", f"invitations/{row.pk}/again/").status_code == 200
    row.refresh_from_db()
    assert row.token_hash != before
    assert ask(client, "post", f"invitations/{row.pk}/end/").status_code == 204
    assert ask(client, "post", f"invitations/{row.pk}/end/").status_code == 404
    assert ask(client, "post", "invitations/", {"name": "No", "email": "no"}).status_code == 400


def test_who_signs_in_already_comes_in_at_once(client_of: ClientOf, house: House) -> None:
    known = PersonFactory(email="known@example.org")
    body = {"name": "Known", "email": "Known@example.org", "member": house.member.pk}
    assert ask(client_of("coordinator"), "post", "invitations/", body).status_code == 204
    assert house.member in known.members.all()
    assert Invitation.objects.filter(email__iexact="known@example.org").count() == 0


def test_a_key_needs_the_scope_of_people(house: House) -> None:
    RoleGrantFactory(person=house.people["member"], cooperative=house.cooperative)  # a coordinator too
    for scope, code in (("write:planning", 403), ("write:people", 201)):
        _token, headers = key_of(house, "read", scope)
        assert ask(Client(), "post", "members/", {"name": scope}, **headers).status_code == code


def test_a_season_is_opened_and_its_figures_set(client_of: ClientOf, house: House) -> None:
    client = client_of("coordinator")
    next_year = house.things["season"].year + 1
    body = {"year": next_year, "starts_on": f"{next_year}-04-01", "ends_on": f"{next_year}-08-31"}
    made = ask(client, "post", "seasons/", body)
    assert made.status_code == 201
    assert ask(client, "post", "seasons/", body).status_code in {409, 422}
    address = f"seasons/{made.json()['id']}/"
    figure = {"key": "virgin_age_last_days", "value": 13, "reason": "Late queens"}
    answer = ask(client, "post", f"{address}set-figure/", figure).json()["figures"]
    [found] = [one for one in answer if one["key"] == "virgin_age_last_days"]
    assert (found["value"], found["reason"], found["default"] != 13) == (13.0, "Late queens", True)
    assert SeasonSetting.objects.get(season=made.json()["id"]).value == 13
    back = ask(client, "post", f"{address}set-figure/", {"key": "virgin_age_last_days", "value": None})
    assert back.status_code == 200
    assert not SeasonSetting.objects.filter(season=made.json()["id"]).exists()
    for wrong in ({"key": "no_such", "value": 1}, {"key": "virgin_age_last_days", "value": 900}):
        assert ask(client, "post", f"{address}set-figure/", wrong).status_code == 422
    names = {one["key"] for one in ask(client_of("member"), "get", f"{address}figures/").json()["figures"]}
    assert "virgin_age_last_days" in names
    assert Season.objects.filter(cooperative=house.cooperative).count() == 2
