"""Corrections of a closed session besides a dose: drones, gas, fate; what follows from them follows."""

import datetime as dt
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse

from accounts.models import AuditEntry, Role
from breeding.models import Mating, MatingShare, QueenStatus, SemenBatchShare
from scheduling.models import BenchPlace, Co2Treatment, DroneTally, PlaceState, Reminder
from scheduling.queries.lots import lot_view
from scheduling.services.bench_corrections import co2_correct, fate_correct, tally_correct
from scheduling.services.bench_queens import co2_start, co2_stop
from scheduling.services.bench_session import session_close
from scheduling.services.mixtures import lots_mix
from tests.factories import NOW, RoleGrantFactory
from tests.scheduling.test_bench import MINUTE, Bench, refused
from tests.scheduling.test_bench_correct import CLOSED, LATER, ClosedBench

pytestmark = pytest.mark.django_db


@pytest.fixture
def closed() -> ClosedBench:
    return ClosedBench()


def place(bench: Bench, index: int) -> BenchPlace:
    return BenchPlace.objects.select_related("session__season__cooperative", "batch_queen__queen").get(
        pk=bench.places[index].pk
    )


def test_drones_of_a_lot_are_corrected_and_the_matings_follow(closed: ClosedBench) -> None:
    assert set(MatingShare.objects.values_list("drones", flat=True)) == {8}
    closed.taken.session = closed.session
    tally_correct(closed.taken, outcome="usable", drones=10, reason="counted twice", by=closed.by, now=LATER)
    assert (lot_view(closed.taken).usable, DroneTally.objects.count()) == (10, 2)
    assert set(MatingShare.objects.values_list("drones", flat=True)) == {4}
    row = AuditEntry.objects.get(action="session.correct")
    assert (list(row.before.values()), list(row.after.values()), row.note) == (["20"], ["10"], "counted twice")


def test_a_mixture_follows_the_drones_of_its_parts() -> None:
    bench = Bench()
    one, other = bench.lot(), bench.lot(source=bench.other, tip="T2")
    mixture = lots_mix(bench.session, parts={one: 100, other: 100}, tip="M", by=bench.by, now=NOW)
    BenchPlace.objects.update(source=None)
    bench.dose(0, mixture)
    session_close(bench.session, reason_for_rest="dried", by=bench.by, now=CLOSED)
    bench.session.refresh_from_db()
    one.session = bench.session
    tally_correct(one, outcome="usable", drones=40, reason="misread", by=bench.by, now=LATER)
    drones = dict(SemenBatchShare.objects.values_list("drone_queen", "drones"))
    assert drones == {bench.source.drone_queen_id: 20, bench.other.drone_queen_id: 10}
    assert AuditEntry.objects.filter(action="semen_batch.correct").count() == 1


def test_the_end_of_the_gas_is_corrected_and_the_second_treatment_moves_with_it() -> None:
    bench = Bench()
    bench.batch.first_co2_at = None
    bench.batch.save()
    lot = bench.lot()
    co2_start(bench.session, batch_queen=bench.queens[0], with_insemination=True, by=bench.by, now=NOW)
    bench.dose(0, lot, override_reason="comes tomorrow")
    co2_stop(bench.session, batch_queen=bench.queens[0], by=bench.by, now=NOW + 3 * MINUTE)
    session_close(bench.session, reason_for_rest="dried", by=bench.by, now=CLOSED)
    due = Reminder.objects.get(kind="second_co2", state="wanted").due_at
    assert due == NOW + 3 * MINUTE + dt.timedelta(hours=24)
    treatment = Co2Treatment.objects.get()
    wanted: dict[str, Any] = {"with_insemination": True, "reason": "the clock ran on", "by": bench.by, "now": LATER}
    with refused(""):
        co2_correct(place(bench, 0), treatment=treatment, started_at=NOW, ended_at=NOW - MINUTE, **wanted)
    co2_correct(place(bench, 0), treatment=treatment, started_at=NOW, ended_at=NOW + 10 * MINUTE, **wanted)
    due = Reminder.objects.get(kind="second_co2", state="wanted").due_at
    assert due == NOW + 10 * MINUTE + dt.timedelta(hours=24)
    assert [row.undone_at is None for row in Co2Treatment.objects.order_by("pk")] == [False, True]


def test_a_queen_that_was_lost_at_the_bench_leaves_the_stock_and_comes_back(closed: ClosedBench) -> None:
    fate_correct(
        closed.session, queen=closed.queens[2], fate="lost", reason="found dead in the cage", by=closed.by, now=LATER
    )
    closed.queens[2].refresh_from_db()
    closed.queens[2].queen.refresh_from_db()
    assert (closed.queens[2].state, closed.queens[2].state_reason) == ("lost", "found dead in the cage")
    assert closed.queens[2].queen.gone_on == CLOSED.date()
    fate_correct(closed.session, queen=closed.queens[2], fate="there", reason="another queen", by=closed.by, now=LATER)
    closed.queens[2].refresh_from_db()
    closed.queens[2].queen.refresh_from_db()
    assert (closed.queens[2].state, closed.queens[2].queen.status) == ("waiting", QueenStatus.VIRGIN)
    assert place(closed, 2).state == PlaceState.NOT_USED
    assert closed.matings() == {0: 80, 1: 80}


@pytest.mark.parametrize("what", ["dose", "drones", "semen", "gas", "queen"])
def test_every_correction_has_its_form_and_says_why(closed: ClosedBench, client: Client, what: str) -> None:
    RoleGrantFactory(person=closed.by, cooperative=closed.session.season.cooperative, role=Role.OPERATOR)
    client.force_login(closed.by)
    address = reverse("scheduling:bench_correct", args=[closed.session.pk]) + f"?what={what}"
    assert client.get(address).status_code == 200
    wanted = {
        "dose": {"place": closed.places[0].pk, "lot": closed.taken.pk, "volume": "6"},
        "drones": {"lot": closed.taken.pk, "outcome": "none", "drones": "7"},
        "semen": {"lot": closed.taken.pk, "kind": "discarded", "volume": "3"},
        "gas": {"place": closed.places[0].pk, "started_at": "11:00", "ended_at": "11:04"},
        "queen": {"queen": closed.queens[2].pk, "fate": "set_aside"},
    }[what]
    assert client.post(address, wanted).status_code == 422
    assert not AuditEntry.objects.filter(action="session.correct").exists()
    answer = client.post(address, {**wanted, "reason": "Seen on the sheet"})
    assert answer.status_code == 302
    page = client.get(f"/bench/{closed.session.pk}/").content.decode()
    assert "Seen on the sheet" in page
    assert AuditEntry.objects.get(action="session.correct").before
    assert Mating.objects.count() == 2
