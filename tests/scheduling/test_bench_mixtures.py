"""Mixtures as entries of tablets: made once, taken back while nothing is used, true to their parts at the end."""

import datetime as dt
import uuid

import pytest

from breeding.models import Mating, SemenBatch
from scheduling.models import BenchEntry, BenchPlace, EntryState, LotState, SemenLot
from scheduling.queries.bench_log import bench_state, entry_words
from scheduling.queries.lots import lot_view
from scheduling.services.bench_entries import entry_again
from scheduling.services.bench_session import session_close
from scheduling.services.entry_log import Sent
from scheduling.services.lots import lot_take_out
from scheduling.services.mixtures import lots_mix
from tests.factories import NOW, BenchSessionFactory, PersonFactory
from tests.scheduling.bench_rule_cases import LATER, mix
from tests.scheduling.device import Device, assert_server_is_log
from tests.scheduling.test_bench import Bench

pytestmark = pytest.mark.django_db


@pytest.fixture
def bench() -> Bench:
    one = Bench()
    BenchPlace.objects.update(source=None)
    return one


def dosed(bench: Bench, device: Device, lot: str, place: int = 0) -> Sent:
    return device.tap("dose", place=bench.places[place].pk, queen=bench.queens[place].pk, lot=lot, volume=60)


def test_a_mixture_sent_twice_is_made_once_and_its_queens_share_one_batch(bench: Bench) -> None:
    before = bench_state(bench.session)
    device = Device(bench)
    mixture = mix(bench, device)
    dosed(bench, device, mixture, 0)
    dosed(bench, device, mixture, 1)
    device.send(answer=False)
    assert {entry.state for entry in device.send()} == {EntryState.TAKEN}
    made = SemenLot.objects.get(entry=mixture)
    assert made.label.endswith("-M3")
    assert [lot_view(lot).left for lot in SemenLot.objects.all()] == [100, 150, 30]
    assert_server_is_log(bench.session, before)
    session_close(bench.session, reason_for_rest="dried", by=bench.by, now=NOW)
    assert list(Mating.objects.values_list("shared_batch", flat=True)) == [made.semen_batch_id] * 2


def test_two_tablets_that_mix_the_same_semen_leave_both_versions(bench: Bench) -> None:
    one, two = Device(bench), Device(bench, by=PersonFactory())
    mix(bench, one, volumes=(150, 50))
    one.send()
    lots = [str(entry.id) for entry in one.kept if entry.kind == "lot_open"]
    second = mix(bench, two, tip="M2", volumes=(80, 50), lots=lots)
    dosed(bench, two, second)
    refused, after = two.send()
    assert [(entry.state, entry.rule) for entry in (refused, after)] == [
        ("look", "lot_holds_less"),
        ("look", "lot_unknown"),
    ]
    assert "8 µl of" in entry_words(refused)
    assert "with tip M2" in entry_words(refused)
    assert refused.on_record.count("left") == 2
    assert SemenLot.objects.count() == 3


def test_a_mixture_that_came_after_the_end_is_taken_in_as_a_correction(bench: Bench) -> None:
    device = Device(bench)
    first = device.lot()
    other = str(device.tap("lot_open", source=bench.other.pk, tip="T2").id)
    device.tap("reading", lot=other, volume=200, left=0)
    device.send()
    session_close(bench.session, reason_for_rest="dried", by=bench.by, now=LATER)
    mixture = mix(bench, device, lots=[first, other])
    dosed(bench, device, mixture)
    late, dose = device.send()
    assert [(entry.state, entry.rule) for entry in (late, dose)] == [
        ("look", "session_closed"),
        ("look", "lot_unknown"),
    ]
    for entry in (late, dose):
        entry_again(entry, reason="no network", by=bench.by, now=LATER)
    made = SemenLot.objects.get(entry=mixture)
    assert Mating.objects.get().shared_batch_id == made.semen_batch_id


def test_a_mixture_is_taken_back_and_its_parts_are_in_their_lots_again(bench: Bench) -> None:
    before = bench_state(bench.session)
    device = Device(bench)
    mixture = mix(bench, device)
    device.tap("undo", of=mixture)
    again = mix(bench, device, tip="M2", lots=[str(one.id) for one in device.kept if one.kind == "lot_open"])
    assert {entry.state for entry in device.send()} == {EntryState.TAKEN}
    taken_back, made = (SemenLot.objects.get(entry=entry) for entry in (mixture, again))
    assert (taken_back.state, taken_back.semen_batch, lot_view(taken_back).left) == (LotState.DISCARDED, None, 0)
    assert SemenBatch.objects.get() == made.semen_batch
    assert [lot_view(lot).left for lot in SemenLot.objects.all()] == [100, 150, 0, 150]
    assert_server_is_log(bench.session, before)
    session_close(bench.session, reason_for_rest="dried", by=bench.by, now=NOW)


@pytest.mark.parametrize("kind", ["dose", "reading", "take_out", "mix"])
def test_a_mixture_that_was_used_is_not_taken_back(bench: Bench, kind: str) -> None:
    before = bench_state(bench.session)
    device = Device(bench)
    mixture = mix(bench, device)
    if kind == "dose":
        dosed(bench, device, mixture)
    elif kind == "reading":
        device.tap("reading", lot=mixture, volume=160, left=150)
    elif kind == "take_out":
        device.tap("take_out", lot=mixture, what="stored", volume=150, reason="14 °C")
    else:
        mix(bench, device, tip="M2", lots=[mixture, str(device.kept[0].id)])
    device.tap("undo", of=mixture)
    *taken, undo = device.send()
    assert {entry.state for entry in taken} == {EntryState.TAKEN}
    assert (undo.state, undo.rule) == ("look", "mixture_in_use")
    assert_server_is_log(bench.session, before)


def test_drones_taken_back_after_the_mixing_do_not_stay_in_its_shares(bench: Bench) -> None:
    device = Device(bench)
    mixture = mix(bench, device)
    wrong = device.tap("tally", lot=str(device.kept[0].id), outcome="usable", drones=20)
    dosed(bench, device, mixture)
    device.send()
    made = SemenLot.objects.select_related("semen_batch").get(entry=mixture)
    assert made.semen_batch is not None
    shares = made.semen_batch.shares
    assert shares.get(drone_queen=bench.source.drone_queen).drones == 10
    session_close(bench.session, reason_for_rest="dried", by=bench.by, now=NOW)
    assert shares.get(drone_queen=bench.source.drone_queen).drones == 20
    assert BenchEntry.objects.get(pk=wrong.id).state == EntryState.TAKEN


def test_stored_semen_mixed_to_the_last_tenth_is_used_up(bench: Bench) -> None:
    before = BenchSessionFactory(
        season=bench.session.season, bench=bench.session.bench, day=dt.date(2026, 6, 8), state="running"
    )
    stored, fresh = bench.lot(tenths=50), bench.lot(source=bench.other, tip="T2", tenths=100)
    lot_take_out(stored, kind="stored", volume_tenths=50, reason="14 °C", by=bench.by, now=NOW)
    SemenLot.objects.filter(pk=stored.pk).update(session=before, closed_at=NOW)
    stored.refresh_from_db()
    lots_mix(bench.session, parts={stored: 50, fresh: 50}, tip="M1", by=bench.by, now=NOW)
    session_close(bench.session, reason_for_rest="dried", by=bench.by, now=NOW)
    stored.refresh_from_db()
    assert stored.state == LotState.USED_UP


@pytest.mark.parametrize(
    "lots",
    [None, 7, [[1]], [["no id", 3], ["no id", 3]], [[str(uuid.UUID(int=1)), 5], [str(uuid.UUID(int=2)), 5]], "twice"],
)
def test_lots_that_cannot_be_read_are_looked_at_and_never_lost(bench: Bench, lots: object) -> None:
    device = Device(bench)
    first = device.lot()
    sent = device.tap("mix", lots=[[first, 5], [first, 6]] if lots == "twice" else lots, tip="M1")
    entry = device.send()[-1]
    assert (entry.pk, entry.state) == (sent.id, "look")
    assert entry.rule in {"unreadable", "lot_unknown"}
    assert "made one mixture, with tip M1" in entry_words(entry)
