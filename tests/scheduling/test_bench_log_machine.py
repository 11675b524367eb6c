"""Tablets and a bad network at random: whatever comes of it, the tables are what the log says."""

import datetime as dt
import os
import random
from typing import Any

import pytest
from django.db import transaction
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, precondition, rule, run_state_machine_as_test

from accounts.models import Person
from scheduling.models import BatchQueen, BenchEntry, BenchPlace, Dose, EntryState
from scheduling.queries.bench_log import bench_state
from scheduling.services.entry_log import Sent
from tests.factories import NOW, BatchQueenFactory, PersonFactory
from tests.scheduling.device import Device, assert_server_is_log, device_initial
from tests.scheduling.test_bench import Bench

pytestmark = pytest.mark.django_db

# The long form: BROODTIDE_BENCH_RUNS=1000 pytest tests/scheduling/test_bench_log_machine.py
RUNS = int(os.environ.get("BROODTIDE_BENCH_RUNS", "25"))


class LogMachine(RuleBasedStateMachine):
    """Two or three tablets at one session, and a network that loses, doubles and turns round what they send."""

    bench: Bench
    others: list[Person]
    spare: BatchQueen

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

    @rule(device=st.integers(0, 2), drones=st.integers(1, 40), tip=st.sampled_from(["T1", "P1", "P2"]))
    def open_pool(self, device: int, drones: int, tip: str) -> None:
        parts = [[self.bench.source.pk, drones], [self.bench.other.pk, 10]]
        self.lots.append(str(self.tap(device, "lot_open", source=None, parts=parts, tip=tip).id))

    @precondition(lambda self: len(self.lots) > 1)
    @rule(device=st.integers(0, 2), data=st.data(), tip=st.sampled_from(["M1", "M2", "M3", "T1"]))
    def mix(self, device: int, data: Any, tip: str) -> None:
        lots = data.draw(st.lists(st.sampled_from(self.lots), min_size=1, max_size=3))
        parts = [[lot, data.draw(st.integers(0, 60))] for lot in lots]
        self.lots.append(str(self.tap(device, "mix", lots=parts, tip=tip).id))

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

    @precondition(lambda self: self.lots)
    @rule(device=st.integers(0, 2), data=st.data(), tip=st.sampled_from(["T1", "T2", "T3", "T4"]))
    def tip(self, device: int, data: Any, tip: str) -> None:
        self.tap(device, "tip", lot=data.draw(st.sampled_from(self.lots)), tip=tip)

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
        more = data.draw(st.booleans())
        lot = data.draw(st.sampled_from(self.lots))
        place_pk = self.bench.places[place].pk
        self.tap(device, "dose", place=place_pk, lot=lot, volume=volume, override_reason=reason, more=more)

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

    @rule(device=st.integers(0, 2), place=st.integers(0, 2), queen=st.integers(0, 3), before=st.integers(0, 3))
    def give_on(self, device: int, place: int, queen: int, before: int) -> None:
        queens = [*self.bench.queens, self.spare]
        facts = {"queen": queens[queen].pk, "before": queens[before].pk}
        self.tap(device, "give_on", place=self.bench.places[place].pk, **facts)

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
    LogMachine.bench = bench = Bench()
    BenchPlace.objects.filter(pk=bench.places[2].pk).update(source=None)  # takes semen of pools
    LogMachine.spare = BatchQueenFactory(batch=LogMachine.bench.batch, number=4)
    LogMachine.others = [PersonFactory(), PersonFactory()]
    return LogMachine


def test_server_equals_log_whatever_the_network_does(machine: type[LogMachine]) -> None:
    run_state_machine_as_test(
        machine,
        settings=settings(
            max_examples=RUNS,
            stateful_step_count=30,
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
