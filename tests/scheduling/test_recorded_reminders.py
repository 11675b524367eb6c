"""What a record ended stands again when the record is taken back; what a person ended stays ended."""

import datetime as dt

import pytest

from accounts.models import AuditEntry
from scheduling.models import QueenBatch, Reminder
from scheduling.services.batch_co2 import batch_second_co2, batch_second_co2_undo
from scheduling.services.batches import batch_first_co2, batch_observe, batch_withdraw_step
from scheduling.services.checks import check_record
from scheduling.services.cohorts import cohort_observe
from scheduling.services.reminder_rows import reminder_done
from scheduling.services.reminders import reminders_refresh_batch, reminders_refresh_cohort
from scheduling.services.tellings import tell_due
from tests.factories import NOW, PersonFactory
from tests.scheduling.test_batch_co2 import Placed
from tests.scheduling.test_bench import Bench
from tests.scheduling.world import World, make_world

pytestmark = pytest.mark.django_db
HOUR, DAY = dt.timedelta(hours=1), dt.timedelta(days=1)
CAGED_ON = dt.date(2026, 5, 30)


@pytest.fixture
def world() -> World:
    return make_world()


@pytest.fixture
def batch(world: World) -> QueenBatch:
    """Grafted Wed 20 May; its cells are to be caged at ten days, early on Sat 30 May."""
    one = world.batch()
    reminders_refresh_batch(one, now=dt.datetime(2026, 5, 20, 12, tzinfo=dt.UTC))
    return one


def standing(kind: str) -> Reminder:
    return Reminder.objects.get(kind=kind, state__in=["wanted", "expired"])


def taken_back() -> list[tuple[int, str, dict[str, str], dict[str, str]]]:
    rows = AuditEntry.objects.filter(action="reminder.take_back").order_by("pk")
    return [(row.subject_id, row.by_name, row.before, row.after) for row in rows]


def test_caging_taken_back_before_its_day_is_over_is_told_at_its_coming_moments(
    world: World, batch: QueenBatch
) -> None:
    was = standing("cage_cells")
    early = was.due_at - 20 * HOUR
    batch_observe(batch, step="caged", values={"caged_on": early.date()}, by=world.owner, now=early)
    ended = Reminder.objects.get(pk=was.pk)
    assert (ended.state, ended.is_recorded, ended.ended_by, ended.tell_at) == ("done", True, world.owner, None)

    batch_withdraw_step(batch, step="caged", by=world.owner, now=early + HOUR)
    again = standing("cage_cells")
    assert again.pk == was.pk
    assert (again.state, again.is_recorded, again.ended_at, again.ended_by) == ("wanted", False, None, None)
    assert (again.due_at, again.tell_at) == (was.due_at, was.tell_at)
    assert taken_back() == [(was.pk, world.owner.name, {"state": "done"}, {"state": "wanted"})]


def test_what_is_overdue_by_then_is_told_as_a_late_one_is(world: World, batch: QueenBatch) -> None:
    was = standing("cage_cells")
    batch_observe(batch, step="caged", values={"caged_on": CAGED_ON - DAY}, by=world.owner, now=was.due_at - 20 * HOUR)
    late = was.due_at + 2 * HOUR
    assert late < was.useful_until
    batch_withdraw_step(batch, step="caged", by=world.owner, now=late)
    tell_due(now=late, limit=50)
    again = standing("cage_cells")
    assert (again.state, again.told_at) == ("wanted", late)
    assert set(again.deliveries.values_list("rung", "is_late")) == {("due", True)}


def test_what_is_of_no_use_by_then_is_missed_and_reported_once(world: World, batch: QueenBatch) -> None:
    world.coordinator()
    was = standing("cage_cells")
    batch_observe(batch, step="caged", values={"caged_on": CAGED_ON - DAY}, by=world.owner, now=was.due_at - 20 * HOUR)
    after = was.useful_until + HOUR
    batch_withdraw_step(batch, step="caged", by=world.owner, now=after)
    tell_due(now=after, limit=50)
    assert standing("cage_cells").state == "expired"
    reports = Reminder.objects.filter(kind="missed_step", subject_id=was.pk)
    assert reports.count() == 1
    # Recorded and taken back once more: it was missed already, so nobody hears of it twice.
    batch_observe(batch, step="caged", values={"caged_on": CAGED_ON}, by=world.owner, now=after + HOUR)
    assert Reminder.objects.get(pk=was.pk).state == "done"
    batch_withdraw_step(batch, step="caged", by=world.owner, now=after + 2 * HOUR)
    tell_due(now=after + 2 * HOUR, limit=50)
    again = standing("cage_cells")
    assert (again.state, again.tell_at, again.ended_at) == ("expired", None, again.useful_until)
    assert reports.count() == 1


def test_what_a_person_ended_stays_ended(world: World, batch: QueenBatch) -> None:
    was = standing("cage_cells")
    reminder_done(was, by=world.owner, now=was.due_at - 21 * HOUR)
    early = was.due_at - 20 * HOUR
    batch_observe(batch, step="caged", values={"caged_on": early.date()}, by=world.owner, now=early)
    batch_withdraw_step(batch, step="caged", by=world.owner, now=early + HOUR)
    assert Reminder.objects.get(pk=was.pk).state == "done"
    assert not Reminder.objects.filter(kind="cage_cells", state="wanted").exists()
    assert taken_back() == []


def test_another_day_of_the_graft_makes_another_reminder(world: World, batch: QueenBatch) -> None:
    was = standing("cage_cells")
    early = was.due_at - 20 * HOUR
    batch_observe(batch, step="caged", values={"caged_on": early.date()}, by=world.owner, now=early)
    batch_observe(batch, step="grafted", values={"grafted_on": dt.date(2026, 5, 19)}, by=world.owner, now=early)
    batch_withdraw_step(batch, step="caged", by=world.owner, now=early)
    again = standing("cage_cells")
    assert (again.pk != was.pk, again.due_at < was.due_at) == (True, True)
    assert Reminder.objects.get(pk=was.pk).state == "done"
    assert taken_back() == []


def test_a_first_co2_taken_back_stands_again_as_the_same_row() -> None:
    placed = Placed()
    was = standing("first_co2")
    batch_first_co2(placed.batch, ended_at=placed.due - HOUR, by=placed.who, now=placed.due)
    assert Reminder.objects.get(pk=was.pk).state == "done"
    batch_first_co2(placed.batch, ended_at=None, by=placed.who, now=placed.due + HOUR)
    again = standing("first_co2")
    assert (again.pk, again.due_at, again.tell_at) == (was.pk, was.due_at, was.tell_at)
    assert taken_back() == [(was.pk, placed.who.name, {"state": "done"}, {"state": "wanted"})]


def test_a_second_co2_taken_back_stands_again() -> None:
    bench = Bench(queens=2)
    QueenBatch.objects.update(first_co2_at=None, grafted_on=dt.date(2026, 5, 20))
    bench.batch.bookings.get().bench_places.update(co2_before=False)
    lot = bench.lot(tenths=400)
    for index in range(2):
        bench.dose(index, lot)
    reminders_refresh_batch(bench.batch, now=NOW)
    was = standing("second_co2")
    given = NOW + DAY
    off = given + HOUR / 6
    batch_second_co2(bench.batch, started_at=given, ended_at=off, by=bench.by, now=given + HOUR)
    assert Reminder.objects.get(pk=was.pk).state == "done"
    later = given + 2 * HOUR
    assert batch_second_co2_undo(bench.batch, started_at=given, ended_at=off, by=bench.by, now=later) == 2
    assert standing("second_co2").pk == was.pk
    assert [row[0] for row in taken_back()] == [was.pk]


def test_an_egg_check_that_is_corrected_stands_again() -> None:
    bench = Bench(queens=2)
    QueenBatch.objects.update(grafted_on=dt.date(2026, 5, 20))
    lot = bench.lot(tenths=400)
    for index in range(2):
        bench.dose(index, lot)
    reminders_refresh_batch(bench.batch, now=NOW)
    looked_at = NOW + 8 * DAY
    stage = f"s{bench.session.pk}n2"
    was = Reminder.objects.get(kind="egg_check", stage=stage)
    for queen in bench.queens[:2]:
        check_record(queen, checked_on=looked_at.date(), finding="eggs", by=bench.by, now=looked_at)
    assert Reminder.objects.get(pk=was.pk).state == "done"
    check_record(bench.queens[1], checked_on=looked_at.date(), finding="no_eggs", by=bench.by, now=looked_at + HOUR)
    again = Reminder.objects.get(kind="egg_check", stage=stage, state="wanted")
    assert again.pk == was.pk
    assert was.pk in [row[0] for row in taken_back()]


def test_a_comb_taken_back_is_asked_for_again(world: World) -> None:
    source = world.source(comb_in_on=None)
    cohort = source.cohorts.create(number=1, promised_comb_on=dt.date(2026, 5, 4))
    early = dt.datetime(2026, 5, 3, 8, tzinfo=dt.UTC)
    reminders_refresh_cohort(cohort, now=early)
    was = standing("insert_comb")
    cohort_observe(cohort, step="comb_in_on", day=dt.date(2026, 5, 3), by=world.owner, now=early)
    assert Reminder.objects.get(pk=was.pk).state == "done"
    cohort_observe(cohort, step="comb_in_on", day=None, by=world.owner, now=early + HOUR)
    assert standing("insert_comb").pk == was.pk


def test_nothing_of_it_stays_when_the_taking_back_is_refused(world: World, batch: QueenBatch) -> None:
    was = standing("cage_cells")
    early = was.due_at - 20 * HOUR
    fresh = batch_observe(batch, step="caged", values={"caged_on": early.date()}, by=world.owner, now=early)
    with pytest.raises(Exception, match="changed meanwhile"):
        batch_withdraw_step(fresh, step="caged", version=fresh.version - 1, by=PersonFactory(), now=early + HOUR)
    assert Reminder.objects.get(pk=was.pk).state == "done"
    assert taken_back() == []
