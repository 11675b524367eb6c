"""The bench's log: kept first, sent in any order and as often as it takes, carried out once, never lost."""

import datetime as dt
import uuid
from typing import Any

import pytest

from accounts.refusals import Refusal
from scheduling.models import BenchEntry, Co2Treatment, Dose, DroneTally, EntryState, SemenLot
from scheduling.queries.bench_log import bench_state, confirmed_up_to, entry_words
from scheduling.queries.lots import lot_view
from scheduling.services import entry_log
from scheduling.services.bench_entries import entries_take, entry_again, entry_let_be
from scheduling.services.bench_session import session_close
from scheduling.services.entry_log import EntryLog, Sent, entry_carry_out
from tests.factories import NOW, PersonFactory
from tests.scheduling.device import Device, assert_server_is_log, device_initial
from tests.scheduling.test_bench import Bench

pytestmark = pytest.mark.django_db

HOUR_MS = 3_600_000


def states(entries: list[BenchEntry]) -> list[tuple[str, str]]:
    return [(entry.state, entry.rule) for entry in entries]


def test_what_is_sent_twice_is_carried_out_once() -> None:
    bench = Bench()
    device = Device(bench)
    lot = device.lot()
    device.tap("dose", place=bench.places[0].pk, queen=bench.queens[0].pk, lot=lot, volume=80)
    for _ in range(3):
        assert states(device.send(device.kept)) == [("taken", "")] * 4
    assert (SemenLot.objects.count(), DroneTally.objects.count(), Dose.objects.count()) == (1, 1, 1)
    assert lot_view(SemenLot.objects.get()).left == 120


def test_an_entry_waits_for_the_one_before_it() -> None:
    bench = Bench()
    device = Device(bench)
    device.lot()
    first, second, third = device.kept
    assert states(device.send([third])) == [("held_back", "")]
    assert states(device.send([second])) == [("held_back", "")]
    assert confirmed_up_to(bench.session, device.id) == 0
    assert states(device.send([first])) == [("taken", "")]
    assert confirmed_up_to(bench.session, device.id) == 3
    assert lot_view(SemenLot.objects.get()).left == 200


def test_without_the_waiting_the_order_of_arrival_would_count(monkeypatch: pytest.MonkeyPatch) -> None:
    """The control: a server that carries out as it comes refuses a tally whose lot comes later."""

    def as_it_comes(log: EntryLog[BenchEntry], device: uuid.UUID) -> None:
        for entry in BenchEntry.objects.filter(device=device, state=EntryState.HELD_BACK):
            entry_carry_out(log, entry)

    monkeypatch.setattr(entry_log, "log_carry_out", as_it_comes)
    device = Device(Bench())
    device.lot()
    first, second, _third = device.kept
    assert states(device.send([second])) == [("look", "lot_unknown")]
    assert states(device.send([first])) == [("taken", "")]


def test_two_devices_that_dose_the_same_queen_leave_both_versions() -> None:
    bench = Bench()
    one, two = Device(bench), Device(bench, by=PersonFactory())
    lot = one.lot()
    one.tap("dose", place=bench.places[0].pk, queen=bench.queens[0].pk, lot=lot, volume=80)
    one.send()
    two.tap("dose", place=bench.places[0].pk, queen=bench.queens[0].pk, lot=lot, volume=60)
    [entry] = two.send()
    assert (entry.state, entry.rule) == ("look", "place_not_held")
    assert entry.facts["volume"] == 60
    assert "8 µl" in entry.on_record
    assert bench.by.name in entry.on_record
    assert entry_words(entry).startswith("6 µl of ")
    assert Dose.objects.get().volume_tenths == 80


def test_readings_of_one_syringe_by_two_devices_need_a_look() -> None:
    bench = Bench()
    one, two = Device(bench), Device(bench, by=PersonFactory())
    lot = one.lot(tenths=100)
    one.send()
    two.tap("reading", lot=lot, volume=120, left=0)
    assert states(two.send()) == [("look", "reading_differs")]
    two.tap("reading", lot=lot, volume=120, left=100)
    assert states(two.send()) == [("taken", "")]
    assert lot_view(SemenLot.objects.get()).left == 120


def test_gas_turned_on_by_two_devices_is_one_treatment() -> None:
    bench = Bench()
    for device in (Device(bench), Device(bench, by=PersonFactory())):
        device.tap("gas_on", queen=bench.queens[0].pk, with_dose=True)
        assert states(device.send()) == [("taken", "")]
    assert Co2Treatment.objects.count() == 1


def test_a_clock_that_is_an_hour_wrong_is_put_right() -> None:
    bench = Bench()
    device = Device(bench)
    device.tap("gas_on", queen=bench.queens[0].pk, with_dose=True, at=NOW + dt.timedelta(hours=1), offset_ms=-HOUR_MS)
    [entry] = device.send(now=NOW + dt.timedelta(minutes=1))
    assert (entry.at, entry.device_at - entry.at, entry.offset_ms) == (NOW, dt.timedelta(hours=1), -HOUR_MS)
    assert Co2Treatment.objects.get().started_at == NOW


def test_a_device_that_never_knew_its_offset_gets_the_one_of_sending() -> None:
    bench = Bench()
    device = Device(bench)
    late = NOW + dt.timedelta(hours=1)
    one = device.tap("gas_on", queen=bench.queens[0].pk, with_dose=True, at=late, offset_ms=None)
    entries_take(bench.session, device=device.id, sent=[one], sent_at=late, by=bench.by, now=NOW)
    assert BenchEntry.objects.get().at == NOW


def test_a_clock_set_back_between_two_taps_does_not_turn_them_round() -> None:
    bench = Bench()
    device = Device(bench)
    device.tap("gas_on", queen=bench.queens[0].pk, with_dose=True)
    device.tap("gas_off", queen=bench.queens[0].pk, at=NOW - dt.timedelta(minutes=30))
    device.send(now=NOW + dt.timedelta(minutes=5))
    treatment = Co2Treatment.objects.get()
    assert treatment.ended_at is not None
    assert treatment.ended_at > treatment.started_at


def test_nothing_is_taken_in_before_it_happened() -> None:
    device = Device(Bench())
    device.tap("lot_open", source=device.bench.source.pk, tip="T1", at=NOW + dt.timedelta(days=2))
    assert [entry.at for entry in device.send()] == [NOW]


def test_entries_of_one_person_are_not_taken_in_under_another_name() -> None:
    bench = Bench()
    device = Device(bench)
    device.lot()
    device.send()
    device.by = PersonFactory()
    device.tap("tally", lot=str(device.kept[0].id), outcome="none", drones=1)
    with pytest.raises(Refusal, match="another person's"):
        device.send()
    assert BenchEntry.objects.count() == 3


@pytest.mark.parametrize(
    ("kind", "facts", "rule"),
    [
        ("dance", {}, "unreadable"),
        ("tally", {"lot": "no id", "outcome": "usable", "drones": 1}, "unreadable"),
        ("tally", {"lot": str(uuid.uuid4()), "outcome": "usable", "drones": 1}, "lot_unknown"),
        ("gas_on", {"queen": True}, "unreadable"),
        ("gas_on", {"queen": 10**15}, "unreadable"),
        ("aside", {"place": 1_000_000, "reason": "torn"}, "place_unknown"),
        ("undo", {"of": str(uuid.uuid4())}, "nothing_to_undo"),
        ("lot_open", ["no", "facts"], "unreadable"),
    ],
)
def test_what_cannot_be_read_or_found_is_kept_for_a_person(kind: str, facts: Any, rule: str) -> None:
    device = Device(Bench())
    one = Sent(uuid.uuid4(), 1, kind, facts, NOW, 0)
    assert states(device.send([one])) == [("look", rule)]
    assert BenchEntry.objects.get().facts == facts


def test_a_number_that_comes_twice_loses_neither_entry() -> None:
    device = Device(Bench())
    first = device.tap("lot_open", source=device.bench.source.pk, tip="T1")
    other = Sent(uuid.uuid4(), 1, "lot_open", first.facts, NOW, 0)
    assert states(device.send([first])) == [("taken", "")]
    assert states(device.send([other])) == [("look", "number_twice")]


def test_what_comes_after_the_end_needs_a_look_and_is_not_lost() -> None:
    bench = Bench()
    device = Device(bench)
    lot = device.lot()
    device.send()
    session_close(bench.session, reason_for_rest="dried in the tip", by=bench.by, now=NOW)
    device.tap("dose", place=bench.places[0].pk, queen=bench.queens[0].pk, lot=lot, volume=80)
    assert states(device.send()) == [("look", "session_closed")]


def test_a_rule_is_set_aside_afterwards_with_name_and_reason() -> None:
    bench = Bench()
    bench.batch.first_co2_at = None
    bench.batch.save()
    device = Device(bench)
    lot = device.lot()
    device.tap("dose", place=bench.places[0].pk, queen=bench.queens[0].pk, lot=lot, volume=80)
    entry = device.send()[-1]
    assert (entry.state, entry.rule) == ("look", "first_co2_missing")
    with pytest.raises(Refusal):
        entry_again(entry, reason="", by=bench.by, now=NOW)
    entry.refresh_from_db()
    assert entry.state == EntryState.LOOK
    taken = entry_again(entry, reason="Given at home", by=bench.by, now=NOW)
    assert (taken.state, taken.settled_by, taken.settled_why) == ("taken", bench.by, "Given at home")
    assert Dose.objects.get().override_reason == "first_co2_missing: Given at home"
    assert_server_is_log(bench.session, device_initial(bench))


def test_what_is_on_record_can_be_let_stand_with_a_reason() -> None:
    device = Device(Bench())
    device.tap("undo", of=str(uuid.uuid4()))
    [entry] = device.send()
    with pytest.raises(Refusal, match="Say why"):
        entry_let_be(entry, reason=" ", by=device.by, now=NOW)
    assert entry_let_be(entry, reason="A wrong tap", by=device.by, now=NOW).state == EntryState.SETTLED
    assert BenchEntry.objects.count() == 1


def test_undo_takes_back_a_tally_a_reading_and_a_dose() -> None:
    bench = Bench()
    before = bench_state(bench.session)
    device = Device(bench)
    lot = device.lot()
    tally, reading = device.kept[1:]
    dose = device.tap("dose", place=bench.places[0].pk, queen=bench.queens[0].pk, lot=lot, volume=80)
    refused = device.tap("undo", of=str(reading.id))
    for one in (dose, reading, tally):
        device.tap("undo", of=str(one.id))
    entries = device.send()
    assert [entry.rule for entry in entries if entry.state == EntryState.LOOK] == ["lot_holds_less"]
    assert BenchEntry.objects.get(state=EntryState.LOOK).pk == refused.id
    view = lot_view(SemenLot.objects.get())
    assert (view.tried, view.left) == (0, 0)
    assert_server_is_log(bench.session, before)


def test_taking_back_twice_takes_back_once() -> None:
    bench = Bench()
    before = bench_state(bench.session)
    one, two = Device(bench), Device(bench, by=PersonFactory())
    first = one.tap("aside", place=bench.places[0].pk, lost=False, reason="lame")
    one.tap("undo", of=str(first.id))
    one.tap("aside", place=bench.places[0].pk, lost=False, reason="lame after all")
    one.send()
    two.tap("undo", of=str(first.id))
    assert states(two.send()) == [("taken", "")]
    bench.queens[0].refresh_from_db()
    assert bench.queens[0].state_reason == "lame after all"
    assert_server_is_log(bench.session, before)
