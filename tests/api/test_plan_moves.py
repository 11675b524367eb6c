"""The plan board's acts by programs: moves, repair, what-if; and entries of the bench log."""

import datetime as dt
import uuid
from typing import Any

import pytest
from django.test import Client
from django.utils import timezone

from accounts.models import Job, Person, Role
from accounts.services.jobs import job_run
from scheduling.models import BenchEntry, Booking, Placement, Plan, SemenLot
from scheduling.services.plan_publish import plan_publish
from scheduling.services.plans import plan_sketch_from
from tests.api.test_people import ask
from tests.factories import NOW, DroneSourceFactory, RoleGrantFactory
from tests.scheduling.plan_world import PlanWorld
from tests.scheduling.test_bench import Bench
from tests.scheduling.test_board_moves import Mixed

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def _moment(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(timezone, "now", lambda: NOW)


class Board(PlanWorld):
    """A plan in force of one booking, and its coordinator at the API."""

    def __init__(self) -> None:
        super().__init__(places=6)
        self.booking: Booking = self.ask("Rowan")
        RoleGrantFactory(person=self.by, cooperative=self.season.cooperative, role=Role.COORDINATOR)
        self.plan = self.publish()
        self.client = signed_in(self.by)

    def sketch(self) -> Plan:
        return plan_sketch_from(self.plan, by=self.by, now=NOW)

    def other_day(self, placement: Placement) -> int:
        return next(one.pk for one in self.sessions if one.pk != placement.session_id)


def signed_in(person: Person) -> Client:
    client = Client()
    client.force_login(person)
    return client


@pytest.fixture
def board() -> Board:
    return Board()


def test_queens_in_mixed_semen_are_moved_without_naming_a_source(monkeypatch: pytest.MonkeyPatch) -> None:
    mixed = Mixed()
    RoleGrantFactory(person=mixed.by, cooperative=mixed.season.cooperative, role=Role.COORDINATOR)
    client, address = signed_in(mixed.by), f"plans/{mixed.sketch.pk}"
    facts = {"booking": mixed.booking.pk, "session": mixed.sessions[1].pk, "queens": 5, "taken_from": mixed.card.pk}
    refused = ask(client, "post", f"{address}/move/", {**facts, "source": mixed.source.pk})
    assert (refused.status_code, refused.json()["rule"]) == (422, "mode")
    moved = ask(client, "post", f"{address}/move/", facts)
    assert moved.status_code == 200, moved.json()
    assert set(mixed.stands()) == {1}
    assert ask(client, "post", f"{address}/move-back/").status_code == 200
    assert set(mixed.stands()) == {0}


def test_queens_are_moved_taken_out_and_moved_back(board: Board) -> None:
    sketch = board.sketch()
    placement = Placement.objects.get(plan=sketch)
    there = board.other_day(placement)
    body = {
        "booking": board.booking.pk, "session": there, "source": board.source.pk, "queens": placement.queens,
        "taken_from": placement.pk,
    }  # fmt: skip
    moved = ask(board.client, "post", f"plans/{sketch.pk}/move/", body)
    assert moved.status_code == 200, moved.json()
    assert [(one["session"], one["queens"]) for one in moved.json()["placements"]] == [(there, placement.queens)]
    back = ask(board.client, "post", f"plans/{sketch.pk}/move-back/")
    [now_at] = back.json()["placements"]
    assert now_at["session"] == placement.session_id
    out = ask(board.client, "post", f"plans/{sketch.pk}/take-out/", {"placement": now_at["id"]})
    assert (out.status_code, out.json()["placements"]) == (200, [])


def test_a_move_that_the_rules_forbid_or_that_names_what_is_not_there_changes_nothing(board: Board) -> None:
    sketch = board.sketch()
    placement = Placement.objects.get(plan=sketch)
    elsewhere = DroneSourceFactory()  # of another cooperative
    stranger = DroneSourceFactory(season=board.season)  # not one that the booking takes
    body = {
        "booking": board.booking.pk, "session": board.other_day(placement), "source": board.source.pk, "queens": 5,
        "taken_from": placement.pk,
    }  # fmt: skip
    of_plan = Placement.objects.get(plan=board.plan)
    for change, code in (
        ({"source": elsewhere.pk}, 400),
        ({"source": stranger.pk}, 422),
        ({"taken_from": of_plan.pk}, 400),
        ({"queens": 0}, 400),
    ):
        answer = ask(board.client, "post", f"plans/{sketch.pk}/move/", {**body, **change})
        assert answer.status_code == code, (change, answer.json())
    published = ask(board.client, "post", f"plans/{board.plan.pk}/move/", {**body, "taken_from": of_plan.pk})
    assert (published.status_code, published.json()["rule"]) == (409, "plan_not_sketch")
    assert Placement.objects.get(plan=sketch).session_id == placement.session_id
    sketch.refresh_from_db()
    assert sketch.version == Plan.objects.get(pk=sketch.pk).version


def test_a_plan_is_repaired_without_a_day_and_a_choice_taken(board: Board) -> None:
    held = Placement.objects.get(plan=board.plan).session_id
    asked = ask(board.client, "post", f"plans/{board.plan.pk}/repair/", {"sessions": [held]})
    assert asked.status_code == 202, asked.json()
    plan = Plan.objects.get(pk=asked.json()["id"])
    assert plan.job is not None
    assert job_run(plan.job.pk, now=NOW)
    chosen = ask(board.client, "post", f"plans/{plan.pk}/choose/", {"choice": "fewest"})
    assert chosen.status_code == 200, chosen.json()
    assert held not in {one["session"] for one in chosen.json()["placements"]}
    sketch = board.sketch()
    assert ask(board.client, "post", f"plans/{sketch.pk}/repair/").json()["rule"] == "repair_not_in_force"
    assert ask(board.client, "post", f"plans/{plan.pk}/choose/", {"choice": "best"}).status_code == 400


def test_what_would_be_is_asked_read_and_kept(board: Board) -> None:
    session = board.sessions[0]
    body = {"plan": board.plan.pk, "kind": "limits", "session": session.pk, "places": 9}
    asked = ask(board.client, "post", "what-ifs/", body)
    assert asked.status_code == 202, asked.json()
    assert (asked.json()["state"], asked.json()["change"]["places"]) == ("in_line", 9)
    assert ask(board.client, "post", "what-ifs/", body).json()["id"] == asked.json()["id"]
    address = f"what-ifs/{asked.json()['id']}/"
    early = ask(board.client, "post", f"{address}keep/", {"choice": "most"})
    assert (early.status_code, early.json()["rule"]) == (409, "what_if_not_ready")
    assert job_run(Job.objects.get(pk=asked.json()["id"]).pk, now=NOW)
    answers = ask(board.client, "get", address).json()["answers"]
    assert [one["served"] for one in answers] == [5] * len(answers)
    kept = ask(board.client, "post", f"{address}keep/", {"choice": answers[0]["name"]})
    assert kept.status_code == 201, kept.json()
    assert Plan.objects.get(pk=kept.json()["id"]).state == "to_check"
    session.refresh_from_db()
    assert session.places == 9


@pytest.mark.parametrize(
    "change",
    [
        {"kind": "limits"},
        {"kind": "level", "percent": 20},
        {"kind": "level", "percent": 80, "places": 3},
        {"kind": "dose", "dose_ul": 20},
        {"kind": "drones"},
        {"kind": "weather"},
    ],
)
def test_a_question_that_says_nothing_is_refused(board: Board, change: dict[str, Any]) -> None:
    assert ask(board.client, "post", "what-ifs/", {"plan": board.plan.pk, **change}).status_code == 400
    assert Job.objects.filter(kind="what_if").count() == 0


def test_other_questions_are_read_as_on_the_page(board: Board) -> None:
    said = [
        ({"kind": "level", "percent": 85}, {"kind": "level", "value": "0.85"}),
        ({"kind": "cap", "source": board.source.pk}, {"kind": "cap", "source": board.source.pk, "permille": None}),
        ({"kind": "dose", "dose_ul": 9.5}, {"kind": "dose", "tenths": 95}),
    ]
    for body, kept in said:
        answer = ask(board.client, "post", "what-ifs/", {"plan": board.plan.pk, **body})
        assert answer.status_code == 202, answer.json()
        assert answer.json()["change"] == kept


class Log:
    """An operator's program beside a running session."""

    def __init__(self) -> None:
        self.bench = Bench()
        grant = {"cooperative": self.bench.session.season.cooperative, "role": Role.OPERATOR}
        self.client = signed_in(RoleGrantFactory(**grant).person)
        self.device = str(uuid.uuid4())

    def entry(self, number: int, kind: str, **facts: Any) -> dict[str, Any]:
        return {"id": str(uuid.uuid4()), "number": number, "kind": kind, "facts": facts, "at": NOW.isoformat()}

    def send(self, *entries: dict[str, Any]) -> Any:
        body = {"session": self.bench.session.pk, "device": self.device, "sent_at": NOW.isoformat()}
        return ask(self.client, "post", "bench-entries/", {**body, "entries": list(entries)})


@pytest.fixture
def log() -> Log:
    return Log()


def test_entries_write_the_bench_record_once(log: Log) -> None:
    opened = log.entry(1, "lot_open", source=log.bench.source.pk, tip="T7")
    first = log.send(opened)
    assert first.status_code == 200, first.json()
    assert [(one["id"], one["state"]) for one in first.json()["entries"]] == [(opened["id"], "taken")]
    assert log.send(opened).json()["entries"] == first.json()["entries"]
    lot = SemenLot.objects.get(session=log.bench.session)
    assert (lot.tip, str(lot.entry)) == ("T7", opened["id"])
    shown = ask(log.client, "get", f"bench-entries/{opened['id']}/").json()
    assert (shown["kind"], shown["order"], shown["session"]) == ("lot_open", 1, log.bench.session.pk)


def test_a_dose_is_written_from_what_programs_can_read(log: Log) -> None:
    places = ask(log.client, "get", f"places/?session={log.bench.session.pk}").json()["results"]
    assert [(one["position"], one["batch_queen"], one["dose_ul"]) for one in places] == [
        (place.position, place.batch_queen_id, place.dose_tenths / 10) for place in log.bench.places
    ]
    opened = log.entry(1, "lot_open", source=log.bench.source.pk, tip="T7")
    tally = log.entry(2, "tally", lot=opened["id"], outcome="usable", drones=20)
    reading = log.entry(3, "reading", lot=opened["id"], volume=200)
    gas = log.entry(4, "gas_on", queen=places[0]["batch_queen"], with_dose=True)
    dose = log.entry(5, "dose", place=places[0]["id"], queen=places[0]["batch_queen"], lot=opened["id"], volume=80)
    answers = log.send(opened, tally, reading, gas, dose).json()["entries"]
    assert [(one["state"], one["words"]) for one in answers] == [("taken", "")] * 5
    [given] = ask(log.client, "get", f"doses/?session={log.bench.session.pk}").json()["results"]
    assert (given["place"], given["volume_ul"]) == (places[0]["id"], 8.0)


def test_an_entry_whose_predecessor_is_missing_waits_for_it(log: Log) -> None:
    later = log.entry(2, "lot_open", source=log.bench.source.pk, tip="T2")
    assert [one["state"] for one in log.send(later).json()["entries"]] == ["held_back"]
    log.send(log.entry(1, "lot_open", source=log.bench.other.pk, tip="T1"))
    assert [lot.tip for lot in SemenLot.objects.order_by("pk")] == ["T1", "T2"]


def test_what_a_rule_refuses_needs_a_look_and_is_settled_with_a_reason(log: Log) -> None:
    wrong = log.entry(1, "dose", place=log.bench.places[0].pk, lot=str(uuid.uuid4()), volume=80)
    [answer] = log.send(wrong).json()["entries"]
    assert (answer["state"], bool(answer["words"])) == ("look", True)
    listed = ask(log.client, "get", f"bench-entries/?session={log.bench.session.pk}&state=look").json()["results"]
    assert [one["id"] for one in listed] == [wrong["id"]]
    address = f"bench-entries/{wrong['id']}/"
    again = ask(log.client, "post", f"{address}again/", {"reason": "It is so"})
    assert again.status_code in {409, 422}
    assert ask(log.client, "post", f"{address}let-be/", {}).status_code == 400
    settled = ask(log.client, "post", f"{address}let-be/", {"reason": "The lot was never opened"}).json()
    assert (settled["state"], settled["settled_why"]) == ("settled", "The lot was never opened")
    assert BenchEntry.objects.get().facts == wrong["facts"]


def test_entries_that_cannot_be_read_or_are_somebody_elses_are_refused(log: Log) -> None:
    good = log.entry(1, "lot_open", source=log.bench.source.pk, tip="T1")
    for wrong in ({"number": 0}, {"at": "yesterday"}, {"id": "1"}, {"more": 1}):
        assert log.send({**good, **wrong}).status_code == 400
    assert log.send().status_code == 400
    log.send(good)
    other = Log()
    other.bench, other.device = log.bench, log.device
    other.client = signed_in(
        RoleGrantFactory(cooperative=log.bench.session.season.cooperative, role=Role.OPERATOR).person
    )
    answer = other.send(other.entry(2, "lot_open", source=log.bench.source.pk, tip="T2"))
    assert (answer.status_code, answer.json()["rule"]) == (409, "other_person")
    assert BenchEntry.objects.count() == 1
    assert dt.timedelta() <= NOW - BenchEntry.objects.get().at


def test_publishing_what_was_moved(board: Board) -> None:
    sketch = board.sketch()
    placement = Placement.objects.get(plan=sketch)
    body = {
        "booking": board.booking.pk, "session": board.other_day(placement), "source": board.source.pk,
        "queens": placement.queens, "taken_from": placement.pk,
    }  # fmt: skip
    etag = ask(board.client, "post", f"plans/{sketch.pk}/move/", body)["ETag"]
    headers = {"If-Match": etag, "Idempotency-Key": "publish-1"}
    assert ask(board.client, "post", f"plans/{sketch.pk}/publish/", **headers).status_code == 200
    assert plan_publish(Plan.objects.get(pk=sketch.pk), by=board.by, now=NOW).number == 2
