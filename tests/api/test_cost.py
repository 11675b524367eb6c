"""A list costs as many queries for many rows as for few."""

from collections.abc import Callable

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext

from breeding.models import Colony, Heading, Mating, MatingShare
from scheduling.models import DroneTally, LotMovement, SemenLot
from tests.api.conftest import House
from tests.api.test_access import TABLE
from tests.factories import (
    BatchQueenFactory,
    BookingFactory,
    BookingSourceFactory,
    DroneCohortFactory,
    DroneCountFactory,
    DroneSourceFactory,
    QueenBatchFactory,
    QueenFactory,
    ReminderFactory,
    ScoreFactory,
)

pytestmark = pytest.mark.django_db
LISTS = sorted(
    name.removesuffix("-list") for name, method in TABLE if name.endswith("-list") and method == "get"
)  # each of them is asked for as the coordinator


def more(house: House) -> None:
    """Three more of what a list shows neighbours of, each with neighbours of its own."""
    things = house.things
    for number in range(3):
        queen = QueenFactory(owner=house.member, mother=things["queen"], label=f"More {number}", status="mated")
        mating = Mating.objects.create(queen=queen, kind="pool")
        MatingShare.objects.create(mating=mating, drone_queen=things["queen"])
        colony = Colony.objects.create(apiary=things["apiary"], name=f"More {number}")
        Heading.objects.create(colony=colony, queen=queen, since="2026-01-01")
        ScoreFactory(colony=colony, queen=queen, trait=things["trait"], value=3)
        batch = QueenBatchFactory(season=things["season"], member=house.member, mother=queen)
        BatchQueenFactory(batch=batch)
        source = DroneSourceFactory(season=things["season"], member=house.member)
        source.benches.add(things["bench"])
        DroneCountFactory(cohort=DroneCohortFactory(source=source))
        BookingSourceFactory(booking=BookingFactory(batch=batch), source=source)
        ReminderFactory(member=house.member)
        lot = SemenLot.objects.create(
            session=things["session"], source=source, label=f"M{number}", tip="T", opened_at="2026-06-09T08:00:00Z"
        )
        DroneTally.objects.create(lot=lot, outcome="usable", at="2026-06-09T08:00:00Z")
        LotMovement.objects.create(lot=lot, kind="collected", volume_tenths=50, at="2026-06-09T08:00:00Z")


def test_a_list_asks_the_database_as_often_for_many_rows_as_for_one(
    client_of: Callable[[str], Client], house: House
) -> None:
    client = client_of("coordinator")

    def asked(name: str) -> tuple[int, int]:
        with CaptureQueriesContext(
            connection,
        ) as queries:
            rows = client.get(f"/api/v1/{name}/").json()["results"]
        return len(rows), len(queries)

    few = {name: asked(name) for name in LISTS}
    more(house)
    many = {name: asked(name) for name in LISTS}
    grown = [name for name in LISTS if many[name][0] > few[name][0]]
    assert {"queens", "colonies", "scores", "batches", "sources", "cohorts", "bookings", "lots", "reminders"} <= set(
        grown
    )
    assert {name: many[name][1] for name in LISTS} == {name: few[name][1] for name in LISTS}
    assert max(count for _rows, count in many.values()) <= 9
