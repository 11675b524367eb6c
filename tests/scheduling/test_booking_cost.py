"""What one request for bench places asks of the database, and that what it leaves out is not needed."""

import datetime as dt
from typing import Any

from django.db import connection
from django.test.utils import CaptureQueriesContext

from scheduling.models import BenchSession, Booking, QueenBatch, Reminder
from scheduling.queries.sessions import room_counted, sessions_with_room
from scheduling.services.bookings import booking_ask
from scheduling.services.reminders import reminders_refresh_batch
from tests.factories import BenchPlaceFactory, BookingFactory
from tests.scheduling.world import NOW, World

A_REQUEST = 27


def asked(world: World, batch: QueenBatch, session: BenchSession, **more: Any) -> Booking:
    sources = list(world.season.sources.order_by("pk"))
    return booking_ask(batch, queens=2, sources=sources, session=session, by=world.owner, now=NOW, **more)


def test_a_request_asks_as_often_however_many_there_are(world: World) -> None:
    batch, session = world.batch(virgins=40), world.session(places=100)
    world.source()
    found = []
    for _more in range(3):
        for _ in range(4):
            asked(world, batch, session)
        with CaptureQueriesContext(connection) as queries:
            asked(world, batch, session)
        found.append(len(queries))
    assert found == [A_REQUEST] * 3


def test_a_request_moves_no_reminder_of_its_batch(world: World) -> None:
    """It gives no place yet: what is due follows from the batch, its queens and the places that a plan gave."""
    batch = world.batch(cells_grafted=20, grafted_on=dt.date(2026, 6, 2))
    session = world.session(dt.date(2026, 6, 23))
    world.source(comb_in_on=dt.date(2026, 5, 11))
    reminders_refresh_batch(batch, now=NOW)
    before = list(Reminder.objects.order_by("pk").values())
    assert before
    asked(world, batch, session)
    assert list(Reminder.objects.order_by("pk").values()) == before
    reminders_refresh_batch(batch, now=NOW)
    assert list(Reminder.objects.order_by("pk").values()) == before


def test_the_room_of_one_session_is_what_the_list_says(world: World) -> None:
    """Places given, offered and freed; requests asked, queued, withdrawn and placed."""
    _first, last = world.session(), world.session(dt.date(2026, 6, 12))
    for state in ("held", "offered", "freed"):
        BenchPlaceFactory(session=last, state=state)
    for state, queens in (("asked", 3), ("queued", 4), ("queued", 1), ("withdrawn", 5), ("placed", 6)):
        BookingFactory(batch=world.batch(), state=state, queens=queens, wished_session=last)
    listed = {one.pk: (one.left, one.queue) for one in sessions_with_room(world.season)}  # type: ignore[attr-defined]
    for one in BenchSession.objects.filter(season=world.season):
        room_counted(one, season=world.season)
        assert (one.left, one.queue) == listed[one.pk]  # type: ignore[attr-defined]
    assert listed[last.pk] == (14 - 2 - 3, 2)
