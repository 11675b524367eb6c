"""Phones and a bad network at random: whatever comes of it, the tables are what the log says."""

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
from breeding.models import Colony, Score
from scheduling.models import DroneCohort, DroneCount, EntryState, HiveEntry, QueenBatch, Reminder
from scheduling.services.batch_rules import OBSERVED
from tests.factories import ColonyFactory, DroneCohortFactory, HeadingFactory, ReminderFactory, TraitFactory
from tests.scheduling.hive import Phone
from tests.scheduling.world import NOW, make_world

pytestmark = pytest.mark.django_db

# The long form: BROODTIDE_HIVE_RUNS=1000 pytest tests/scheduling/test_hive_log_machine.py
RUNS = int(os.environ.get("BROODTIDE_HIVE_RUNS", "12"))
DAYS = [dt.date(2026, 5, 28), dt.date(2026, 5, 29), dt.date(2026, 6, 30)]  # the last is still to come
STEPS = ["sealed", "caged"]


class Told:
    """What follows from the entries that were taken, in the order in which they were: plain bookkeeping, no rules."""

    def __init__(self) -> None:
        self.scores: dict[uuid.UUID, tuple[int, str, int]] = {}
        self.steps: dict[str, dt.date | None] = dict.fromkeys(STEPS)
        self.counts: dict[str, int] = {}
        self.reminder = {"done": False, "acknowledged": False}
        self.entries: dict[str, HiveEntry] = {}
        self.undone: set[str] = set()

    def add(self, entry: HiveEntry) -> None:
        self.entries[str(entry.pk)] = entry
        if entry.rule == "same_already":
            return
        facts = entry.facts
        if entry.kind == "score":
            self.scores[entry.pk] = (facts["colony"], facts["on"], int(facts["value"]))
        elif entry.kind == "step":
            self.steps[facts["step"]] = dt.date.fromisoformat(facts["on"])
        elif entry.kind == "count":
            self.counts[facts["counted_on"]] = int(facts["number"])
        elif facts.get("act") == "take_back":
            self.reminder = {"done": False, "acknowledged": False}
        elif entry.kind == "reminder":
            self.reminder["done" if facts["act"] == "done" else "acknowledged"] = True
        elif facts["of"] in self.entries and facts["of"] not in self.undone:
            self.undone.add(facts["of"])
            self.take_back(self.entries[facts["of"]])

    def take_back(self, of: HiveEntry) -> None:
        if of.kind == "score":
            self.scores.pop(of.pk, None)
        elif of.kind == "step":
            self.steps[of.facts["step"]] = None
        elif of.facts["act"] == "take_back":
            self.reminder["done"] = True
        else:
            self.reminder = {"done": False, "acknowledged": False}


class HiveMachine(RuleBasedStateMachine):
    """Three phones of one member, two of one person, and a network that loses, doubles and turns round."""

    people: list[Person]
    colonies: list[Colony]
    batch: QueenBatch
    cohort: DroneCohort
    reminder: Reminder

    def __init__(self) -> None:
        super().__init__()
        self.atomic = transaction.atomic()
        self.atomic.__enter__()
        self.phones = [Phone(self.people[0]), Phone(self.people[0]), Phone(self.people[1])]
        self.told, self.seen = Told(), set[uuid.UUID]()
        self.now = NOW

    def teardown(self) -> None:
        try:
            for phone in self.phones:
                self.send(phone)
            rows = {entry.pk: entry for entry in HiveEntry.objects.all()}
            assert set(rows) == {one.id for phone in self.phones for one in phone.kept}
            assert all(entry.state != EntryState.HELD_BACK for entry in rows.values())
            self.server_is_log()
        finally:
            transaction.set_rollback(True)
            self.atomic.__exit__(None, None, None)

    def write(self, phone: int, kind: str, /, **facts: Any) -> None:
        self.now += dt.timedelta(seconds=20)
        self.phones[phone].write(kind, at=self.now, **facts)

    def send(self, phone: Phone, **how: Any) -> None:
        phone.send(now=self.now, **how)
        taken = HiveEntry.objects.filter(device=phone.id, state=EntryState.TAKEN).exclude(pk__in=self.seen)
        for entry in taken.order_by("number"):
            self.seen.add(entry.pk)
            self.told.add(entry)

    @rule(phone=st.integers(0, 2), colony=st.integers(0, 1), day=st.integers(0, 2), value=st.integers(1, 5))
    def score(self, phone: int, colony: int, day: int, value: int) -> None:
        on = DAYS[day].isoformat()
        self.write(phone, "score", colony=self.colonies[colony].pk, trait="gentleness", on=on, value=str(value))

    @rule(phone=st.integers(0, 2), step=st.sampled_from(STEPS), day=st.integers(0, 2))
    def step(self, phone: int, step: str, day: int) -> None:
        self.write(phone, "step", batch=self.batch.pk, step=step, on=DAYS[day].isoformat())

    @rule(phone=st.integers(0, 2), day=st.integers(0, 2), number=st.integers(1, 3))
    def count(self, phone: int, day: int, number: int) -> None:
        on = DAYS[day].isoformat()
        self.write(phone, "count", cohort=self.cohort.pk, kind="capped", counted_on=on, number=str(number))

    @rule(phone=st.integers(0, 2), act=st.sampled_from(["done", "acknowledge", "take_back"]))
    def say_of_reminder(self, phone: int, act: str) -> None:
        self.write(phone, "reminder", reminder=self.reminder.pk, act=act, was="done")

    @precondition(lambda self: any(phone.kept for phone in self.phones))
    @rule(phone=st.integers(0, 2), data=st.data())
    def undo(self, phone: int, data: Any) -> None:
        kept = [one for each in self.phones for one in each.kept]
        self.write(phone, "undo", of=str(data.draw(st.sampled_from(kept)).id))

    @rule(phone=st.integers(0, 2), seed=st.integers(0, 1000), answer=st.booleans())
    def send_anyhow(self, phone: int, seed: int, answer: bool) -> None:
        one, shuffler = self.phones[phone], random.Random(seed)
        some = [sent for sent in one.kept if shuffler.random() < 0.6]
        shuffler.shuffle(some)
        self.send(one, sent=some, answer=answer)

    @rule(phone=st.integers(0, 2), answer=st.booleans())
    def send_in_order(self, phone: int, answer: bool) -> None:
        self.send(self.phones[phone], answer=answer)

    @rule(phone=st.integers(0, 2))
    def crash_and_reload(self, phone: int) -> None:
        self.phones[phone].confirmed.clear()

    @invariant()
    def server_is_log(self) -> None:
        live = Score.objects.filter(replaced_by=None, withdrawn_at=None)
        assert {
            one.entry: (one.colony_id, one.scored_on.isoformat(), int(one.value)) for one in live
        } == self.told.scores
        batch = QueenBatch.objects.get(pk=self.batch.pk)
        assert {step: getattr(batch, OBSERVED[step].date) for step in STEPS} == self.told.steps
        counts = DroneCount.objects.filter(cohort=self.cohort, replaced_by=None)
        assert {one.counted_on.isoformat(): one.number for one in counts} == self.told.counts
        reminder = Reminder.objects.get(pk=self.reminder.pk)
        assert (reminder.state == "done") == self.told.reminder["done"]
        assert (reminder.acknowledged_at is not None) == self.told.reminder["acknowledged"]


@pytest.fixture
def machine(db: None) -> type[HiveMachine]:
    world = make_world()
    TraitFactory(cooperative=world.cooperative, key="gentleness")
    HiveMachine.people = [world.owner, world.person(member=world.member)]
    HiveMachine.colonies = [ColonyFactory(apiary=world.apiary) for _ in range(2)]
    for colony in HiveMachine.colonies:
        HeadingFactory(colony=colony, since=dt.date(2025, 8, 1), queen__owner=world.member)
    HiveMachine.batch = world.batch()
    HiveMachine.cohort = DroneCohortFactory(
        source__season=world.season, source__member=world.member, comb_in_on=dt.date(2026, 5, 1)
    )
    HiveMachine.reminder = ReminderFactory(
        member=world.member, kind="health_ends", due_at=NOW, useful_until=NOW + dt.timedelta(days=9)
    )
    return HiveMachine


def test_server_equals_log_whatever_the_network_does(machine: type[HiveMachine]) -> None:
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


def test_a_score_that_nobody_wrote_down_would_be_found(machine: type[HiveMachine]) -> None:
    """The control: were a value changed behind the log, state and log would differ."""
    one = machine()
    try:
        one.score(0, 0, 0, 3)
        one.send_in_order(0, answer=True)
        one.server_is_log()
        Score.objects.update(value=4)
        with pytest.raises(AssertionError):
            one.server_is_log()
    finally:
        Score.objects.update(value=3)
        one.teardown()
