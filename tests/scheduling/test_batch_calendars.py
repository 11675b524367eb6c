"""Calendars of many batches at once are those of each batch by itself."""

import datetime as dt

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from scheduling.models import Co2Treatment, Dose, QueenBatch, QueenCheck
from scheduling.queries.batches import batch_calendars, batch_views
from tests.factories import NOW, BatchQueenFactory, BenchPlaceFactory, PlanFactory
from tests.scheduling.plan_world import PlanWorld
from tests.scheduling.test_supply import lot_of

pytestmark = pytest.mark.django_db
HOUR = dt.timedelta(hours=1)


def asked(world: PlanWorld, name: str, *, queens: int = 2) -> QueenBatch:
    """A batch whose virgins have emerged, with places on both bench days, the earlier one not used."""
    booking = world.ask(name, queens=queens)
    batch = booking.batch
    QueenBatch.objects.filter(pk=batch.pk).update(emerged_on=dt.date(2026, 6, 3), virgins_emerged=queens)
    batch.refresh_from_db()
    plan = PlanFactory(season=world.season)
    for number, session in enumerate(world.sessions):
        queen = BatchQueenFactory(batch=batch, number=number + 1)
        state = "held" if number else "not_used"
        BenchPlaceFactory(session=session, booking=booking, plan=plan, batch_queen=queen, state=state)
    return batch


@pytest.fixture
def world() -> PlanWorld:
    world = PlanWorld()
    world.ask("Only asked")
    asked(world, "Waits")
    lost = asked(world, "One lost")
    lost.batch_queens.filter(number=1).update(state="lost", state_reason="flew off")
    confirmed = asked(world, "Behind excluders")
    confirmed.batch_queens.update(excluder_confirmed_on=dt.date(2026, 6, 5))
    gassed = asked(world, "Gassed").batch_queens.get(number=2)
    Co2Treatment.objects.create(batch_queen=gassed, started_at=NOW - HOUR, ended_at=NOW)
    dosed, session = asked(world, "Dosed").batch_queens.get(number=2), world.sessions[1]
    lot = lot_of(session, world.source, usable=20, tenths=200)
    Dose.objects.create(batch_queen=dosed, session=session, lot=lot, volume_tenths=80, given_at=NOW)
    # Eggs in a nuc whose queen nobody dosed: where the batch's day comes from, which is no word of the one who was.
    undosed = dosed.batch.batch_queens.get(number=1)
    QueenCheck.objects.create(batch_queen=undosed, checked_on=dt.date(2026, 6, 20), finding="eggs", recorded_at=NOW)
    QueenBatch.objects.filter(pk=dosed.batch_id).update(eggs_seen_on=dt.date(2026, 6, 20))
    return world


def test_calendars_of_all_batches_are_those_of_each(world: PlanWorld) -> None:
    batches = world.season.batches.order_by("pk")
    today = NOW.date()
    many = batch_calendars(batches, season=world.season, today=today)
    each = batch_views(batches, season=world.season, today=today)
    assert [(view.batch.name, view.events, view.state) for view in many] == [
        (view.batch.name, view.events, view.state) for view in each
    ]
    events = {view.batch.name: view.events for view in many}
    assert (events["Dosed"].doses_at, events["Dosed"].eggs_seen_on) == ((NOW,), None)
    assert events["Gassed"].co2_at == (NOW,)
    assert events["Waits"].bench_on == world.sessions[1].day
    assert events["One lost"].emergences[0].virgins == 1
    assert events["Behind excluders"].excluder_on == dt.date(2026, 6, 5)
    assert events["Only asked"].bench_on is None


def test_more_batches_ask_no_more(world: PlanWorld) -> None:
    def counted() -> int:
        with CaptureQueriesContext(connection) as queries:
            batch_calendars(world.season.batches.all(), season=world.season, today=NOW.date())
        return len(queries)

    before = counted()
    for number in range(3):
        asked(world, f"More {number}")
    assert counted() == before == 7
