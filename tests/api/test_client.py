"""The client of the docs, and the small programs written with it."""

import datetime as dt
import importlib
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest
from django.test import Client

from accounts.models import Scope
from accounts.services.tokens import token_make
from breeding.models import EvaluationRun, Score
from scheduling.models import Booking, Reminder
from tests.api.conftest import House
from tests.api.test_keys import now, viewer
from tests.factories import QueenFactory

pytestmark = pytest.mark.django_db
FOLDER = Path(__file__).parents[2] / "docs" / "examples" / "client"


class Wire:
    """What the client sends goes to the site of this process; answers may be lost or replaced on the way."""

    def __init__(self) -> None:
        self.sent: list[tuple[str, str, Mapping[str, str]]] = []
        self.instead: list[tuple[int, dict[str, str], bytes]] = []

    def __call__(self, method: str, address: str, headers: Mapping[str, str], body: bytes | None) -> Any:
        self.sent.append((method, address, headers))
        if self.instead:
            return self.instead.pop(0)
        answer = getattr(Client(), method.lower())(
            address.removeprefix("https://bees.example.org"),
            data=body or b"",
            content_type="application/json",
            headers=dict(headers),
        )
        return answer.status_code, answer.headers, answer.content


@pytest.fixture
def wire() -> Wire:
    return Wire()


@pytest.fixture
def modules(monkeypatch: pytest.MonkeyPatch) -> Any:
    monkeypatch.syspath_prepend(str(FOLDER))
    yield importlib.import_module("season"), importlib.import_module("broodtide")
    for name in ("season", "broodtide"):
        sys.modules.pop(name, None)


@pytest.fixture
def season(modules: Any) -> Any:
    return modules[0]


@pytest.fixture
def hives(modules: Any, house: House, wire: Wire) -> Any:
    _token, key = token_make(viewer(house), name="Client", scopes=Scope.values, days=1, now=now())
    return modules[1].Broodtide("https://bees.example.org", key, send=wire)


def test_a_list_is_read_page_by_page(hives: Any, house: House, wire: Wire) -> None:
    for number in range(5):
        QueenFactory(owner=house.member, label=f"Elm {number}")
    labels = [queen["label"] for queen in hives.all("queens", label="elm", page_size=2)]
    assert labels == [f"Elm {number}" for number in range(5)]
    assert len(wire.sent) == 3


def test_the_scale_writes_honey(season: Any, hives: Any, house: House) -> None:
    thing = season.scale_writes_honey(hives, house.id_of("colony"), 12.5, dt.date(2025, 8, 1))
    score = Score.objects.get(pk=thing["id"])
    assert (score.trait.key, float(score.value), score.colony_id) == ("honey_yield", 12.5, house.id_of("colony"))


def test_the_best_queens_come_from_the_latest_run_that_counts(season: Any, hives: Any, house: House) -> None:
    assert season.best_living_queens(hives, 3) == []  # the only one is a trial
    EvaluationRun.objects.update(is_trial=False)
    assert season.best_living_queens(hives, 3) == [("Rowan 1", 0.5)]


def test_booking_says_what_became_of_it(season: Any, hives: Any, house: House) -> None:
    Booking.objects.update(queens=1)
    said = season.book(hives, house.id_of("batch"), 2, house.id_of("source"))
    assert said.startswith("asked: Any bench day that fits")
    refused = season.book(hives, house.id_of("batch"), 50, house.id_of("source"))
    assert refused.startswith("not booked: 3 of the 20 queens")


def test_a_note_survives_somebody_elses_change(season: Any, hives: Any, house: House, wire: Wire) -> None:
    first = hives.one("queens", house.id_of("queen"))
    hives.change("queens", first, mark_number="12")
    with pytest.raises(Exception, match="412"):
        hives.change("queens", first, note="stale")
    thing = season.note_on(hives, house.id_of("queen"), "gentle")
    assert (thing["note"], thing["mark_number"]) == ("gentle", "12")


def test_what_is_due_is_seen(season: Any, hives: Any, house: House) -> None:
    assert season.settle_what_is_due(hives) == 1
    assert Reminder.objects.get().acknowledged_at is not None
    assert season.settle_what_is_due(hives) == 0


def test_a_busy_server_is_asked_again_with_the_same_key(
    hives: Any, house: House, wire: Wire, monkeypatch: pytest.MonkeyPatch
) -> None:
    waits: list[float] = []
    monkeypatch.setattr("broodtide.time.sleep", waits.append)
    wire.instead = [(503, {"Retry-After": "2"}, b"{}"), (429, {"Retry-After": "5"}, b"{}")]
    made = hives.make("apiaries", {"name": "Brook", "member": house.id_of("member")})
    assert made["name"] == "Brook"
    assert waits == [2.0, 5.0]
    assert len({headers["Idempotency-Key"] for _method, _address, headers in wire.sent}) == 1


def test_it_gives_up_in_the_end(hives: Any, wire: Wire, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("broodtide.time.sleep", lambda _seconds: None)
    wire.instead = [(503, {}, b'{"detail": "busy"}')] * 4
    with pytest.raises(Exception, match="503: busy"):
        hives.me()
