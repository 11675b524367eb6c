"""The tablet's side door over HTTP: its data, its batches of entries, what needs a look, and the site's worker."""

import datetime as dt
import json
import re
import uuid
from pathlib import Path
from typing import Any

import pytest
from django.contrib.staticfiles import finders
from django.core.management import call_command
from django.test import Client
from django.urls import reverse

from accounts.models import Person, Role
from config.worker import MODULES, SHELL
from scheduling.models import BenchEntry, DroneTally, EntryState, SemenLot
from tests.factories import NOW, PersonFactory, RoleGrantFactory
from tests.scheduling.test_bench import Bench

pytestmark = pytest.mark.django_db

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture
def bench(monkeypatch: pytest.MonkeyPatch) -> Bench:
    monkeypatch.setattr("django.utils.timezone.now", lambda: NOW + dt.timedelta(minutes=5))
    one = Bench()
    RoleGrantFactory(person=one.by, cooperative=one.session.season.cooperative, role=Role.OPERATOR)
    return one


@pytest.fixture
def operator(bench: Bench, client: Client) -> Client:
    client.force_login(bench.by)
    return client


def batch(bench: Bench, *entries: dict[str, Any], person: int | None = None, device: str | None = None) -> str:
    return json.dumps(
        {
            "protocol": 1,
            "device": device or str(uuid.UUID(int=7)),
            "person": person or bench.by.pk,
            "sent_at": NOW.isoformat(),
            "entries": entries,
        }
    )


def entry(number: int, kind: str, **facts: Any) -> dict[str, Any]:
    return {
        "id": str(uuid.uuid4()),
        "number": number,
        "kind": kind,
        "facts": facts,
        "at": NOW.isoformat(),
        "offset_ms": 0,
    }


def send(client: Client, bench: Bench, body: str) -> Any:
    return client.post(
        reverse("scheduling:bench_entries", args=[bench.session.pk]), body, content_type="application/json"
    )


def data(client: Client, bench: Bench, **query: Any) -> Any:
    return client.get(reverse("scheduling:bench_data", args=[bench.session.pk]), query)


def test_a_batch_is_answered_entry_by_entry_and_twice_the_same(bench: Bench, operator: Client) -> None:
    lot = entry(1, "lot_open", source=bench.source.pk, tip="T1")
    body = batch(bench, lot, entry(2, "tally", lot=lot["id"], outcome="usable", drones=1), entry(3, "dance"))
    first, again = send(operator, bench, body).json(), send(operator, bench, body).json()
    assert [row["state"] for row in first["entries"]] == ["taken", "taken", "look"]
    assert first["entries"] == again["entries"]
    assert (SemenLot.objects.count(), DroneTally.objects.count()) == (1, 1)


def test_the_data_tell_what_the_device_needs_and_how_far_it_is_confirmed(bench: Bench, operator: Client) -> None:
    device = str(uuid.uuid4())
    send(operator, bench, batch(bench, entry(1, "lot_open", source=bench.source.pk, tip="T1"), device=device))
    found = data(operator, bench, device=device, person=bench.by.pk).json()
    assert (found["up_to"], found["session_state"], found["person"]) == (1, "running", bench.by.pk)
    assert [place["id"] for place in found["places"]] == [place.pk for place in bench.places]
    assert set(found["queens"]) == {str(queen.pk) for queen in bench.queens}
    assert [lot["label"] for lot in found["lots"].values()] == [SemenLot.objects.get().label]
    assert found["csrf"]
    assert data(operator, bench, device=str(uuid.uuid4())).json()["up_to"] == 0


def test_rules_that_can_be_set_aside_go_along_in_words(bench: Bench, operator: Client) -> None:
    bench.batch.first_co2_at = None
    bench.batch.save()
    queen = bench.queens[0].queen
    queen.emerged_on = dt.date(2026, 5, 20)
    queen.save()
    found = data(operator, bench).json()
    ages = [found["queens"][str(one.pk)]["age"] for one in bench.queens]
    assert (ages[0].startswith("She is 20 days old"), ages[1:]) == (True, ["", ""])
    assert found["places"][0]["first_co2"] == {"asked": True, "home": None}
    assert found["first_co2"]["words"]["too_near"].startswith("Her first CO2 ended %(minutes)s minutes before;")


def test_a_source_on_hold_goes_along_with_its_reason(bench: Bench, operator: Client) -> None:
    bench.source.hold_since, bench.source.hold_reason = NOW.date(), "Chalky brood seen."
    bench.source.save()
    found = data(operator, bench).json()["sources"]
    assert "Chalky brood seen." in found[str(bench.source.pk)]["held"]
    assert found[str(bench.other.pk)]["held"] == ""


def test_nothing_is_taken_in_or_given_under_another_name(bench: Bench, operator: Client) -> None:
    other: Person = PersonFactory()
    assert send(operator, bench, batch(bench, entry(1, "dance"), person=other.pk)).status_code == 409
    assert data(operator, bench, person=other.pk).json() == {"person": bench.by.pk, "person_name": bench.by.name}
    RoleGrantFactory(person=other, cooperative=bench.session.season.cooperative, role=Role.OPERATOR)
    send(operator, bench, batch(bench, entry(1, "dance")))
    operator.force_login(other)
    assert send(operator, bench, batch(bench, entry(2, "dance"), person=other.pk)).status_code == 409
    assert BenchEntry.objects.count() == 1


@pytest.mark.parametrize(
    "body",
    [
        "no json",
        "[]",
        "{}",
        '{"entries": 3}',
        '{"entries": [], "device": 5, "person": 1, "sent_at": "2026-06-09T08:00:00Z"}',
        '{"entries": [], "device": "x", "person": 1, "sent_at": "2026-06-09T08:00:00Z"}',
        f'{{"entries": [7], "device": "{uuid.UUID(int=7)}", "person": 1, "sent_at": "2026-06-09T08:00Z"}}',
        f'{{"entries": [], "device": "{uuid.UUID(int=7)}", "person": 1, "sent_at": "2026-06-09T08:00"}}',
        f'{{"entries": [], "device": "{uuid.UUID(int=7)}", "person": true, "sent_at": "2026-06-09T08:00Z"}}',
        "[" * 100_000,
    ],
)
def test_what_is_no_batch_is_refused_as_a_whole(bench: Bench, operator: Client, body: str) -> None:
    assert send(operator, bench, body).status_code == 400
    assert BenchEntry.objects.count() == 0


def test_a_batch_that_is_too_large_is_refused(bench: Bench, operator: Client) -> None:
    assert send(operator, bench, batch(bench, *[entry(n, "dance") for n in range(1, 202)])).status_code == 400
    assert send(operator, bench, batch(bench, entry(1, "dance", text="x" * 600_000))).status_code == 400


def test_a_character_that_the_database_cannot_keep_is_no_reason_to_lose_an_entry(
    bench: Bench, operator: Client
) -> None:
    body = batch(bench, entry(1, "lot_open", source=bench.source.pk, tip="T\x001"))
    assert [row["state"] for row in send(operator, bench, body).json()["entries"]] == ["taken"]
    assert SemenLot.objects.get().tip == "T1"


@pytest.mark.parametrize("name", ["bench_data", "bench_looks"])
def test_who_does_not_work_at_the_bench_gets_nothing(bench: Bench, client: Client, name: str) -> None:
    address = reverse(f"scheduling:{name}", args=[bench.session.pk])
    assert client.get(address).status_code == 302
    breeder = PersonFactory()
    RoleGrantFactory(person=breeder, cooperative=bench.session.season.cooperative, role=Role.BREEDER)
    client.force_login(breeder)
    assert client.get(address).status_code == 403
    stranger = RoleGrantFactory(role=Role.OPERATOR).person
    client.force_login(stranger)
    assert client.get(address).status_code == 404


def test_both_versions_stand_on_the_page_until_somebody_decides(bench: Bench, operator: Client) -> None:
    lot = entry(1, "lot_open", source=bench.source.pk, tip="T1")
    place = bench.places[0].pk
    dose = entry(3, "dose", place=place, lot=lot["id"], volume=80)
    send(operator, bench, batch(bench, lot, entry(2, "reading", lot=lot["id"], volume=200), dose))
    other = str(uuid.uuid4())
    send(operator, bench, batch(bench, entry(1, "dose", place=place, lot=lot["id"], volume=60), device=other))
    row = BenchEntry.objects.get(state=EntryState.LOOK)
    page = operator.get(reverse("scheduling:bench_looks", args=[bench.session.pk])).content.decode()
    assert "6 µl of" in page
    assert "8 µl of" in page
    assert "1 entry needs a look" in operator.get(f"/bench/{bench.session.pk}/").content.decode()
    address = reverse("scheduling:bench_look", args=[bench.session.pk, row.pk])
    operator.post(address, {"answer": "again", "reason": ""})
    row.refresh_from_db()
    assert row.state == EntryState.LOOK
    operator.post(address, {"answer": "let_be", "reason": "Counted twice"})
    row.refresh_from_db()
    assert (row.state, row.settled_why, row.settled_by) == (EntryState.SETTLED, "Counted twice", bench.by)


def test_the_worker_names_every_file_that_its_pages_load(bench: Bench, operator: Client) -> None:
    page = operator.get(f"/bench/{bench.session.pk}/").content.decode()
    loaded = set(re.findall(r"(?:src|href)=\"?/static/([^\" >?#]+)", page))
    modules = imported("js/bench/app.js")
    wanted = {name for name in loaded | modules if not name.endswith((".webmanifest", ".png"))}
    assert wanted - set(SHELL) == set()
    assert [name for name in (*SHELL, *MODULES) if finders.find(name) is None] == []


def test_modules_import_each_other_by_their_hashed_names(tmp_path: Path, settings: Any) -> None:
    """Else a tablet would ask for files that its worker has never kept."""
    settings.STATIC_ROOT = tmp_path
    settings.STORAGES = {**settings.STORAGES, "staticfiles": {"BACKEND": "config.static.HashedFiles"}}
    call_command("collectstatic", interactive=False, verbosity=0)
    names = json.loads((tmp_path / "staticfiles.json").read_text(encoding="utf-8"))["paths"]
    app = (tmp_path / names["js/bench/app.js"]).read_text(encoding="utf-8")
    wanted = {names[name].rsplit("/", 1)[1] for name in imported("js/bench/app.js")}
    found = {name.rsplit("/", 1)[1] for name in re.findall(r"from \"(\.[\w./-]+)\"", app)}
    assert len(found) == 9
    assert found < wanted


def imported(name: str) -> set[str]:
    """A module and all that it imports, as they are called under `static/`."""
    found, path = {name}, ROOT / "static" / name
    for other in re.findall(r"from \"(\.[\w./-]+)\"", path.read_text(encoding="utf-8")):
        found |= imported(str((path.parent / other).resolve().relative_to(ROOT.resolve() / "static")))
    return found


def test_the_worker_is_at_the_root_for_everybody_and_not_kept(client: Client) -> None:
    answer = client.get("/sw.js")
    assert (answer.status_code, answer["Cache-Control"]) == (200, "no-cache")
    assert answer["Content-Type"].startswith("text/javascript")
    assert b"importScripts" in answer.content
