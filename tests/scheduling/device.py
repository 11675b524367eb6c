"""A tablet as the server sees it, and the two things that must agree: the log and the tables."""

import copy
import datetime as dt
import uuid
from typing import Any

from accounts.models import Person
from scheduling.models import BenchEntry, BenchSession
from scheduling.planning.bench_log import BenchState, reduce_log
from scheduling.queries.bench_log import bench_state, entries_taken
from scheduling.services.bench_entries import entries_take
from scheduling.services.entry_log import Sent
from tests.factories import NOW
from tests.scheduling.test_bench import Bench


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


def device_initial(bench: Bench) -> BenchState:
    """The state before the first entry: what the plan gave, nothing done."""
    state = copy.deepcopy(bench_state(bench.session))
    state["lots"], state["tip"] = {}, {"name": "", "source": None, "lot": None}
    for queen in state["queens"].values():
        queen["state"], queen["reason"], queen["doses"], queen["co2_ended"] = "waiting", "", 0, []
        queen["gas_since"], queen["gas_with_dose"] = None, False
    for place in state["places"].values():
        place["state"], place["doses"] = "held", 0
    return state


def assert_server_is_log(session: BenchSession, initial: BenchState) -> None:
    session.refresh_from_db()
    assert reduce_log(initial, entries_taken(session)) == bench_state(session)
