"""The bench's log: kept first, sent in any order and as often as it takes, carried out once, never lost."""

import copy
import datetime as dt
import os
import random
import uuid
from typing import Any

import pytest
from django.db import transaction
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, precondition, rule, run_state_machine_as_test

from accounts.models import Person
from accounts.refusals import Refusal
from scheduling.models import BenchEntry, BenchSession, Co2Treatment, Dose, DroneTally, EntryState, SemenLot
from scheduling.planning.bench_log import BenchState, reduce_log
from scheduling.queries.bench import lot_view
from scheduling.queries.bench_log import bench_state, confirmed_up_to, entries_taken, entry_words
from scheduling.services import bench_entries
from scheduling.services.bench_entries import Sent, entries_take, entry_again, entry_let_be
from scheduling.services.bench_session import session_close
from tests.factories import NOW, PersonFactory
from tests.scheduling.test_bench import Bench

pytestmark = pytest.mark.django_db

# The long form: BROODTIDE_BENCH_RUNS=1000 pytest tests/scheduling/test_bench_log.py
RUNS = int(os.environ.get("BROODTIDE_BENCH_RUNS", "25"))
HOUR_MS = 3_600_000


class Device:
    """A tablet as the server sees it: entries kept in order, sent until they are confirmed."""

    def __init__(self, bench: Bench, by: Person | None = None) -> None:
        self.bench = bench
        self.by = by or bench.by
        self.id = uuid.uuid4()
        self.kept: list[Sent] = []
        self.confirmed: set[uuid.UUID] = set()

    def tap(self, kind: str, *, at: dt.datetime = NOW, offset_ms: int | None = 0, **facts: Any) -> Sent:
        one = Sent(uuid.uuid4(), len(self.kept) + 1, kind, facts, at, offset_ms)
        self.kept.append(one)
        return one

    def lot(self, *, tip: str = "T1", tenths: int = 200) -> str:
        lot = str(self.tap("lot_open", source=self.bench.source.pk, tip=tip).id)
        self.tap("tally", lot=lot, outcome="usable", drones=20)
        self.tap("reading", lot=lot, volume=tenths, left=0)
        return lot

    def send(self, sent: list[Sent] | None = None, *, now: dt.datetime = NOW, answer: bool = True) -> list[BenchEntry]:
        some = [one for one in self.kept if one.id not in self.confirmed] if sent is None else sent
        entries = entries_take(self.bench.session, device=self.id, sent=some, sent_at=now, by=self.by, now=now)
        if answer:
            self.confirmed |= {entry.pk for entry in entries}
        return entries


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

    def as_it_comes(session: BenchSession, device: uuid.UUID, *, by: Person) -> None:
        for entry in BenchEntry.objects.filter(device=device, state=EntryState.HELD_BACK):
            bench_entries._carry_out_one(session, entry, by=by)

    monkeypatch.setattr(bench_entries, "_carry_out", as_it_comes)
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


def device_initial(bench: Bench) -> BenchState:
    """The state before the first entry: what the plan gave, nothing done."""
    state = copy.deepcopy(bench_state(bench.session))
    state["lots"], state["tip"] = {}, {"name": "", "source": None}
    for queen in state["queens"].values():
        queen["state"], queen["reason"], queen["doses"], queen["first_co2"] = "waiting", "", 0, 0
        queen["gas"] = queen["gas_with_dose"] = False
    for place in state["places"].values():
        place["state"] = "held"
    return state


def assert_server_is_log(session: BenchSession, initial: BenchState) -> None:
    session.refresh_from_db()
    assert reduce_log(initial, entries_taken(session)) == bench_state(session)


class LogMachine(RuleBasedStateMachine):
    """Two or three tablets at one session, and a network that loses, doubles and turns round what they send."""

    bench: Bench
    others: list[Person]

    def __init__(self) -> None:
        super().__init__()
        self.atomic = transaction.atomic()
        self.atomic.__enter__()
        self.initial = device_initial(self.bench)
        self.devices = [
            Device(self.bench),
            Device(self.bench, by=self.others[0]),
            Device(self.bench, by=self.others[1]),
        ]
        self.lots: list[str] = []
        self.now = NOW

    def teardown(self) -> None:
        try:
            self.all_arrives()
        finally:
            transaction.set_rollback(True)
            self.atomic.__exit__(None, None, None)

    def all_arrives(self) -> None:
        for device in self.devices:
            device.send(now=self.now)
        kept = {one.id for device in self.devices for one in device.kept}
        rows = {entry.pk: entry for entry in BenchEntry.objects.all()}
        assert set(rows) == kept
        assert all(entry.state in {EntryState.TAKEN, EntryState.LOOK} for entry in rows.values())
        for device in self.devices:
            orders = [order for one in device.kept if (order := rows[one.id].order) is not None]
            assert orders == sorted(orders)
        assert_server_is_log(self.bench.session, self.initial)

    def tap(self, device: int, kind: str, **facts: Any) -> Sent:
        self.now += dt.timedelta(seconds=20)
        return self.devices[device].tap(kind, at=self.now, **facts)

    @rule(device=st.integers(0, 2), source=st.integers(0, 1), tip=st.sampled_from(["T1", "T2", "T3"]))
    def open_lot(self, device: int, source: int, tip: str) -> None:
        pk = [self.bench.source.pk, self.bench.other.pk][source]
        self.lots.append(str(self.tap(device, "lot_open", source=pk, tip=tip).id))

    @precondition(lambda self: self.lots)
    @rule(device=st.integers(0, 2), data=st.data(), outcome=st.sampled_from(["usable", "none", "mucus"]))
    def tally(self, device: int, data: Any, outcome: str) -> None:
        self.tap(device, "tally", lot=data.draw(st.sampled_from(self.lots)), outcome=outcome, drones=1)

    @precondition(lambda self: self.lots)
    @rule(device=st.integers(0, 2), data=st.data(), volume=st.integers(0, 300), knows=st.booleans())
    def reading(self, device: int, data: Any, volume: int, knows: bool) -> None:
        lot = data.draw(st.sampled_from(self.lots))
        facts = {"left": data.draw(st.integers(0, 100))} if knows else {}
        self.tap(device, "reading", lot=lot, volume=volume, **facts)

    @precondition(lambda self: self.lots)
    @rule(
        device=st.integers(0, 2),
        data=st.data(),
        what=st.sampled_from(["stored", "discarded", "lost"]),
        volume=st.integers(1, 60),
    )
    def take_out(self, device: int, data: Any, what: str, volume: int) -> None:
        lot = data.draw(st.sampled_from(self.lots))
        self.tap(device, "take_out", lot=lot, what=what, volume=volume, reason="uneven")

    @rule(device=st.integers(0, 2), queen=st.integers(0, 2), on=st.booleans(), with_dose=st.booleans())
    def gas(self, device: int, queen: int, on: bool, with_dose: bool) -> None:
        pk = self.bench.queens[queen].pk
        if on:
            self.tap(device, "gas_on", queen=pk, with_dose=with_dose)
        else:
            self.tap(device, "gas_off", queen=pk)

    @precondition(lambda self: self.lots)
    @rule(device=st.integers(0, 2), place=st.integers(0, 2), data=st.data(), volume=st.sampled_from([40, 80, 190]))
    def dose(self, device: int, place: int, data: Any, volume: int) -> None:
        reason = data.draw(st.sampled_from(["", "asked for"]))
        lot = data.draw(st.sampled_from(self.lots))
        place_pk = self.bench.places[place].pk
        self.tap(device, "dose", place=place_pk, lot=lot, volume=volume, override_reason=reason)

    @rule(device=st.integers(0, 2), place=st.integers(0, 2), lost=st.booleans(), back=st.booleans())
    def aside(self, device: int, place: int, lost: bool, back: bool) -> None:
        pk = self.bench.places[place].pk
        if back:
            self.tap(device, "back", place=pk)
        else:
            self.tap(device, "aside", place=pk, lost=lost, reason="wing torn")

    @rule(device=st.integers(0, 2), place=st.integers(0, 2), queen=st.integers(0, 2))
    def mark(self, device: int, place: int, queen: int) -> None:
        self.tap(device, "mark", place=self.bench.places[place].pk, queen=self.bench.queens[queen].pk)

    @precondition(lambda self: any(device.kept for device in self.devices))
    @rule(device=st.integers(0, 2), data=st.data())
    def undo(self, device: int, data: Any) -> None:
        kept = [one for each in self.devices for one in each.kept]
        self.tap(device, "undo", of=str(data.draw(st.sampled_from(kept)).id))

    @rule(device=st.integers(0, 2), seed=st.integers(0, 1000), answer=st.booleans())
    def send_anyhow(self, device: int, seed: int, answer: bool) -> None:
        """Some of what was kept, confirmed or not, turned round and doubled; the answer may be lost."""
        one = self.devices[device]
        shuffler = random.Random(seed)
        some = [sent for sent in one.kept if shuffler.random() < 0.6]
        shuffler.shuffle(some)
        one.send(some, now=self.now, answer=answer)

    @rule(device=st.integers(0, 2), most=st.integers(1, 5), answer=st.booleans())
    def send_in_order(self, device: int, most: int, answer: bool) -> None:
        one = self.devices[device]
        one.send([sent for sent in one.kept if sent.id not in one.confirmed][:most], now=self.now, answer=answer)

    @rule(device=st.integers(0, 2))
    def crash_and_reload(self, device: int) -> None:
        """All that a device remembers is what it kept: it no longer knows what was confirmed."""
        self.devices[device].confirmed.clear()

    @invariant()
    def server_is_log(self) -> None:
        assert_server_is_log(self.bench.session, self.initial)


@pytest.fixture
def machine(db: None) -> type[LogMachine]:
    LogMachine.bench = Bench()
    LogMachine.others = [PersonFactory(), PersonFactory()]
    return LogMachine


def test_server_equals_log_whatever_the_network_does(machine: type[LogMachine]) -> None:
    run_state_machine_as_test(
        machine,
        settings=settings(
            max_examples=RUNS,
            stateful_step_count=30,
            deadline=None,
            suppress_health_check=list(HealthCheck),
            database=None,
            print_blob=True,
        ),
    )


def test_a_fold_that_forgot_a_kind_would_be_found(monkeypatch: pytest.MonkeyPatch) -> None:
    """The control: were a dose not booked out of its lot, state and log would differ."""
    bench = Bench()
    before = bench_state(bench.session)
    device = Device(bench)
    lot = device.lot()
    device.tap("dose", place=bench.places[0].pk, queen=bench.queens[0].pk, lot=lot, volume=80)
    device.send()
    assert_server_is_log(bench.session, before)
    Dose.objects.update(volume_tenths=81)
    with pytest.raises(AssertionError):
        assert_server_is_log(bench.session, before)
