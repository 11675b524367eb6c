"""A bench session from its start to a correction, two plans beside each other, and lines: as programs see them."""

import datetime as dt
from collections.abc import Callable
from typing import Any

import pytest
from django.test import Client
from django.utils import timezone

from accounts.models import AuditEntry
from breeding.models import Line, Mating
from scheduling.models import BenchPlace, BenchSession, Co2Treatment, Dose, SeasonSetting, SessionState
from tests.api.conftest import TODAY, House
from tests.api.test_answers import send
from tests.factories import PlanFactory
from tests.scheduling.plan_world import SETTINGS

pytestmark = pytest.mark.django_db
ClientOf = Callable[[str], Client]


@pytest.fixture
def operator(house: House, client_of: ClientOf) -> Client:
    """The bench day is today, its place is hers, and her gas is off."""
    now = timezone.now()
    BenchPlace.objects.update(batch_queen=house.things["batch_queen"])
    BenchSession.objects.update(day=TODAY, starts_at=now, ends_at=now + dt.timedelta(hours=3))
    Co2Treatment.objects.update(ended_at=now + dt.timedelta(minutes=4))
    return client_of("operator")


def act(client: Client, house: House, name: str, **body: Any) -> Any:
    return send(client, "post", f"bench-sessions/{house.id_of('session')}/{name}/", body)


def started(client: Client, house: House) -> None:
    assert act(client, house, "start", cautions_read=True).status_code == 200


def closed(client: Client, house: House) -> Any:
    started(client, house)
    return act(client, house, "close", reason_for_rest="The scale was read late")


def test_a_session_begins_when_the_cautions_are_read_and_twice_is_once(house: House, operator: Client) -> None:
    refused = act(operator, house, "start", cautions_read=False)
    assert (refused.status_code, refused.json()["rule"]) == (422, "cautions")
    answers = [act(operator, house, "start", cautions_read=True).json() for _twice in range(2)]
    assert [answer["state"] for answer in answers] == ["running", "running"]
    assert answers[0]["cautions_read_by"] == house.people["operator"].pk
    assert AuditEntry.objects.filter(action="session.start").count() == 1


def test_it_says_what_stands_in_the_way_of_closing_and_closes_with_the_reason(house: House, operator: Client) -> None:
    started(operator, house)
    Co2Treatment.objects.update(ended_at=None)
    shown = operator.get(f"/api/v1/bench-sessions/{house.id_of('session')}/").json()
    assert any("Gas is still on" in text for text in shown["open_ends"])
    refused = act(operator, house, "close", reason_for_rest="The scale was read late")
    assert refused.status_code in (409, 422)
    assert BenchSession.objects.get().state == SessionState.RUNNING
    Co2Treatment.objects.update(ended_at=timezone.now() + dt.timedelta(minutes=4))
    done = act(operator, house, "close", reason_for_rest="The scale was read late").json()
    assert (done["state"], done["open_ends"]) == ("closed", [])
    assert "dose" in done["can_be_corrected"]
    assert Mating.objects.filter(queen=house.things["batch_queen"].queen).exists()


def test_a_closed_session_is_corrected_by_an_addition_with_its_reason(house: House, operator: Client) -> None:
    assert closed(operator, house).json()["state"] == "closed"
    facts = {"place": str(house.id_of("place")), "volume": "0"}
    assert act(operator, house, "correct", what="dose", facts=facts).status_code == 400  # why?
    made = act(operator, house, "correct", what="dose", facts=facts, reason="Never given")
    assert made.status_code == 200, made.json()
    assert not Dose.objects.filter(undone_at__isnull=True).exists()
    assert not Mating.objects.filter(queen=house.things["batch_queen"].queen).exists()
    assert AuditEntry.objects.get(action="session.correct").note == "Never given"
    empty = {"place": str(house.id_of("place")), "volume": "7.5", "lot": str(house.id_of("lot"))}
    refused = act(operator, house, "correct", what="dose", facts=empty, reason="Given after all")
    assert (refused.status_code, "A1 holds 0 µl" in refused.json()["detail"]) == (422, True)


@pytest.mark.parametrize(
    ("body", "code", "field"),
    [
        ({"what": "dose", "facts": {"place": "999999", "volume": "7", "lot": "1"}}, 400, "place"),
        ({"what": "dose", "facts": {"hat": "1"}}, 400, "hat"),
        ({"what": "dose", "facts": {"place": 1}}, 400, None),
        ({"what": "hat", "facts": {}}, 400, "what"),
        ({"what": "pool", "facts": {}}, 409, None),
    ],
)
def test_corrections_that_make_no_sense_are_said_and_change_nothing(
    house: House, operator: Client, body: dict[str, Any], code: int, field: str | None
) -> None:
    closed(operator, house)
    answer = act(operator, house, "correct", reason="Misread", **body)
    assert answer.status_code == code
    if field is not None:
        assert field in [error["field"] for error in answer.json()["errors"]]
    assert not AuditEntry.objects.filter(action="session.correct").exists()


def test_a_running_session_is_not_corrected(house: House, operator: Client) -> None:
    started(operator, house)
    answer = act(operator, house, "correct", what="dose", facts={}, reason="Misread")
    assert (answer.status_code, answer.json()["rule"]) == (409, "session_not_closed")


def test_two_plans_are_compared_by_whom_they_serve(house: House, client_of: ClientOf) -> None:
    for key, value in SETTINGS.items():
        SeasonSetting.objects.create(season=house.things["season"], key=key, value=value, changed_at=timezone.now())
    other = PlanFactory(season=house.things["season"], state="sketch")
    address = f"/api/v1/plans/{house.id_of('plan')}/compare/"
    client = client_of("coordinator")
    found = client.get(address, {"with": other.pk})
    assert found.status_code == 200, found.json()
    said = found.json()
    assert (said["first"]["plan"], said["second"]["plan"]) == (house.id_of("plan"), other.pk)
    assert (said["first"]["served"], said["losing"], said["gaining"]) == (0, [], [])
    for wrong in (house.id_of("plan"), 999_999, "hat"):
        refused = client.get(address, {"with": wrong})
        assert refused.status_code == 400
        assert [error["field"] for error in refused.json()["errors"]] == ["with"]


def test_a_line_is_added_once_and_renamed_by_those_who_breed(house: House, client_of: ClientOf) -> None:
    breeder = client_of("breeder")
    first, again = (send(breeder, "post", "lines/", {"name": name}) for name in ("Thrift", " thrift"))
    assert first.status_code == 201
    assert first.json()["id"] == again.json()["id"]
    address = f"lines/{first.json()['id']}/"
    renamed = send(breeder, "patch", address, {"name": "Sea thrift"}, If_Match=first["ETag"])
    assert renamed.json()["name"] == "Sea thrift"
    taken = Line.objects.exclude(pk=first.json()["id"]).earliest("pk").name
    refused = send(breeder, "patch", address, {"name": taken.upper()}, If_Match=renamed["ETag"])
    assert (refused.status_code, refused.json()["rule"]) == (422, "name_taken")
