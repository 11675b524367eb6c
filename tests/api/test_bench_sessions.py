"""A bench session from its start to a correction, two plans beside each other, and lines: as programs see them."""

import datetime as dt
from collections.abc import Callable
from typing import Any
from uuid import uuid4

import pytest
from django.test import Client
from django.utils import timezone

from accounts.models import AuditEntry
from breeding.models import Line, Mating
from scheduling.models import (
    BenchPlace,
    BenchSession,
    Co2Treatment,
    Dose,
    LotMovement,
    MovementKind,
    SeasonSetting,
    SemenLot,
    SessionState,
)
from scheduling.queries.lots import lot_views
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
    ("volume", "tenths", "lost", "words"),
    [("7,5", 75, 45, "7.5 µl"), ("12", 120, 0, "12 µl"), ("0.1", 1, 119, "0.1 µl")],
)
def test_a_new_volume_of_an_insemination_takes_the_place_of_the_old_and_what_follows_is_written_anew(
    house: House, operator: Client, volume: str, tenths: int, lost: int, words: str
) -> None:
    lot, queen = house.things["lot"], house.things["batch_queen"].queen
    started(operator, house)
    was = Dose.objects.get()
    LotMovement.objects.create(
        lot=lot, kind=MovementKind.COLLECTED, volume_tenths=was.volume_tenths + 40, at=was.given_at, entry=uuid4()
    )
    act(operator, house, "close", reason_for_rest="Dried in the tip")
    assert Mating.objects.get(queen=queen).total_tenths == was.volume_tenths

    facts = {"place": str(house.id_of("place")), "volume": volume, "lot": str(lot.pk)}
    made = act(operator, house, "correct", what="dose", facts=facts, reason="Read off the wrong scale")
    assert made.status_code == 200, made.json()
    assert (made.json()["state"], made.json()["open_ends"]) == ("closed", [])
    old, new = Dose.objects.order_by("pk")
    assert (old.pk, old.undone_at is None, new.volume_tenths, new.undone_at) == (was.pk, False, tenths, None)
    assert (new.given_at, new.batch_queen_id, new.place_id, new.lot_id) == (
        was.given_at, was.batch_queen_id, was.place_id, lot.pk,
    )  # fmt: skip
    mating = Mating.objects.get(queen=queen)
    assert (mating.total_tenths, [share.volume_tenths for share in mating.shares.all()]) == (tenths, [tenths])
    [balance] = [view.balance for view in lot_views(SemenLot.objects.filter(pk=lot.pk))]
    assert (balance.unexplained, balance.dosed, balance.lost) == (0, tenths, lost)
    row = AuditEntry.objects.get(action="session.correct")
    assert (list(row.before.values()), list(row.after.values())) == (["8 µl (A1)"], [f"{words} (A1)"])

    doses = operator.get("/api/v1/doses/", {"session": house.id_of("session")}).json()["results"]
    assert [(dose["volume_ul"], dose["undone_at"] is None) for dose in doses] == [(8.0, False), (tenths / 10, True)]


def test_a_volume_that_the_lot_has_not_is_refused_and_nothing_is_half_corrected(house: House, operator: Client) -> None:
    closed(operator, house)
    before = list(Dose.objects.values()), list(LotMovement.objects.values()), list(Mating.objects.values())
    facts = {"place": str(house.id_of("place")), "volume": "30", "lot": str(house.id_of("lot"))}
    refused = act(operator, house, "correct", what="dose", facts=facts, reason="Misread")
    assert (refused.status_code, "A1 holds" in refused.json()["detail"]) == (422, True)
    for wrong in ("-1", "7.55", "much", ""):
        said = act(operator, house, "correct", what="dose", facts={**facts, "volume": wrong}, reason="Misread")
        assert (said.status_code, [error["field"] for error in said.json()["errors"]]) == (400, ["volume"])
    assert (list(Dose.objects.values()), list(LotMovement.objects.values()), list(Mating.objects.values())) == before
    assert BenchSession.objects.get().state == SessionState.CLOSED


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
