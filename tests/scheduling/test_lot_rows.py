"""The rows that learning is taught from are kept while nothing changes, and follow whatever does."""

from collections.abc import Callable

import pytest
from django.db import connection, transaction
from django.test.utils import CaptureQueriesContext

from scheduling.models import (
    BenchSession,
    DroneSource,
    DroneTally,
    LotMark,
    LotMovement,
    LotPart,
    LotState,
    SemenLot,
    SessionState,
)
from scheduling.queries.lot_rows import lot_rows, lot_rows_forget
from tests.factories import NOW, DroneSourceFactory, QueenFactory
from tests.scheduling.plan_world import PlanWorld
from tests.scheduling.test_supply import lot_of

pytestmark = pytest.mark.django_db


@pytest.fixture
def world() -> PlanWorld:
    world = PlanWorld()
    lot_of(world.sessions[0], world.source, usable=30, none=20, soiled=5, tenths=300, ages=(15, 18))
    lot_of(world.sessions[1], world.source, usable=10, none=20, tenths=90, state=LotState.OPEN)
    pool = lot_of(world.sessions[0], None, usable=8, none=4, tenths=80)
    LotPart.objects.create(lot=pool, source=world.source, drones=6)
    LotPart.objects.create(lot=pool, source=DroneSourceFactory(season=world.season), drones=6)
    return world


def first() -> SemenLot:
    lot = SemenLot.objects.filter(source__isnull=False).first()
    assert lot is not None
    return lot


CHANGES: dict[str, Callable[[PlanWorld], object]] = {
    "a tap": lambda world: DroneTally.objects.create(lot=first(), outcome="usable", drones=1, at=NOW),
    "many taps in one statement": lambda world: DroneTally.objects.bulk_create(
        [DroneTally(lot=first(), outcome=outcome, drones=1, at=NOW) for outcome in ("usable", "none", "soiled")]
    ),
    "many taps gone in one statement": lambda world: DroneTally.objects.filter(lot=first()).delete(),
    "many parts of pools gone in one statement": lambda world: LotPart.objects.all()._raw_delete("default"),
    "a tap taken back": lambda world: DroneTally.objects.filter(outcome="soiled").update(undone_at=NOW),
    "an outcome put right": lambda world: DroneTally.objects.filter(drones=5).update(outcome="none"),
    "two outcomes exchanged": lambda world: [
        DroneTally.objects.filter(lot=first(), drones=30).update(outcome="none"),
        DroneTally.objects.filter(lot=first(), drones=20).update(outcome="usable"),
    ],
    "a reading": lambda world: LotMovement.objects.create(lot=first(), kind="collected", volume_tenths=10, at=NOW),
    "a reading taken back": lambda world: LotMovement.objects.filter(lot=first()).update(undone_at=NOW),
    "ages put right": lambda world: SemenLot.objects.filter(pk=first().pk).update(drones_to_days=20),
    "ages unknown": lambda world: SemenLot.objects.filter(pk=first().pk).update(
        drones_from_days=None, drones_to_days=None
    ),
    "another drone-producing queen": lambda world: DroneSource.objects.filter(pk=world.source.pk).update(
        drone_queen=QueenFactory()
    ),
    "a session closed": lambda world: BenchSession.objects.filter(pk=world.sessions[1].pk).update(
        state="closed", closed_at=NOW
    ),
    "a part of a pool put right": lambda world: LotPart.objects.filter(source=world.source).update(undone_at=NOW),
}


@pytest.mark.parametrize("change", CHANGES.values(), ids=CHANGES)
def test_rows_follow_every_change(world: PlanWorld, change: Callable[[PlanWorld], object]) -> None:
    before = lot_rows(world.season)
    change(world)
    after = lot_rows(world.season)
    lot_rows_forget()
    assert after == lot_rows(world.season)
    assert after != before


def test_rows_say_who_gave_what(world: PlanWorld) -> None:
    queen, other = world.source.drone_queen_id, world.season.sources.exclude(pk=world.source.pk).get().drone_queen_id
    one, two = (session.pk for session in world.sessions)
    pool = "+".join(str(pk) for pk in sorted((queen, other)))
    finished = (str(queen), one, 30, 5, 55, 300, 16), (pool, one, 8, 0, 12, 80, None)
    assert lot_rows(world.season) == finished
    BenchSession.objects.filter(pk=two).update(state=SessionState.CLOSED, closed_at=NOW)  # and with it its open lot
    assert lot_rows(world.season) == (finished[0], (str(queen), two, 10, 0, 30, 90, None), finished[1])
    assert [row[1] for row in lot_rows(world.season, but=world.sessions[0])] == [two]


def test_a_tap_into_a_lot_that_is_being_filled_leaves_what_is_taught_as_it_is(world: PlanWorld) -> None:
    rows = lot_rows(world.season)
    filled = SemenLot.objects.get(session=world.sessions[1])
    DroneTally.objects.create(lot=filled, outcome="usable", drones=1, at=NOW)
    assert lot_rows(world.season) is rows
    SemenLot.objects.filter(pk=filled.pk).update(state=LotState.USED_UP)
    assert [row[4] for row in lot_rows(world.season) if row[1] == world.sessions[1].pk] == [31]


def test_while_nothing_changes_the_lots_themselves_are_not_read(world: PlanWorld) -> None:
    with CaptureQueriesContext(connection) as cold:
        rows = lot_rows(world.season)
    with CaptureQueriesContext(connection) as warm:
        again = lot_rows(world.season)
    assert (len(cold), len(warm)) == (5, 1)
    assert again is rows


def test_a_cooperative_without_a_tally_is_asked_once() -> None:
    world = PlanWorld()
    with CaptureQueriesContext(connection) as asked:
        assert lot_rows(world.season) == ()
    assert len(asked) == 1


def test_only_the_sessions_that_changed_are_read_anew(world: PlanWorld) -> None:
    lot_rows(world.season)
    first_session = first().session_id
    DroneTally.objects.create(lot=first(), outcome="usable", drones=1, at=NOW)
    with CaptureQueriesContext(connection) as asked:
        again = lot_rows(world.season)
    assert len(asked) == 5
    assert all(f'"session_id" IN ({first_session})' in one["sql"] for one in asked.captured_queries[2:])
    lot_rows_forget()
    assert again == lot_rows(world.season)


def test_a_mark_that_was_taken_back_is_never_met_again(world: PlanWorld) -> None:
    before = lot_rows(world.season)
    with transaction.atomic():
        DroneTally.objects.create(lot=first(), outcome="usable", drones=1, at=NOW)
        assert lot_rows(world.season) != before
        transaction.set_rollback(True)
    assert lot_rows(world.season) == before


def test_what_teaches_nothing_sets_no_mark(world: PlanWorld) -> None:
    marks = list(LotMark.objects.values_list("pk", "mark"))
    LotMovement.objects.create(lot=first(), kind="discarded", volume_tenths=10, reason="Soiled", at=NOW)
    SemenLot.objects.update(storage_note="Cool")
    for session in world.sessions:
        session.save()
    for lot in SemenLot.objects.all():
        lot.save()
    assert list(LotMark.objects.values_list("pk", "mark")) == marks
