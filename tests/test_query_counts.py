"""Every list asks the database as often for a thousand rows as for a few: the literal number stands beside its page."""

import datetime as dt
from collections.abc import Iterator
from unittest import mock

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from accounts.models import Apiary, AuditEntry, KeptMail, Member, Role
from breeding.models import Colony, CrossShare, Heading, Mating, PlannedCross, Queen, Score
from scheduling.models import (
    BatchQueen,
    BenchSession,
    Booking,
    BookingSource,
    DroneCohort,
    DroneCount,
    DroneSource,
    Plan,
    QueenBatch,
    Reminder,
)
from scheduling.services.sources import LETTERS
from tests.factories import BenchFactory, RoleGrantFactory, TraitFactory
from tests.scheduling.world import NOW, World, make_world

pytestmark = pytest.mark.django_db

FEW, MANY = 2, 1_000  # with one plan there is nothing to compare, and the page asks for less
SEASONAL = 40  # of batches, sources and bench days: a season is bounded by its days, not by its pages
#: Name of the page: queries of one answer. Coordinator's pages are opened by the coordinator.
MEMBER: dict[str, int] = {
    "accounts:apiaries": 13,
    "accounts:mail": 11,
    "breeding:stock": 16,
    "breeding:planned_crosses": 16,
    "breeding:score_sheet": 14,
    "scheduling:batches": 20,
    "scheduling:bookings": 14,
    "scheduling:book": 19,
    "scheduling:sources": 15,
    "scheduling:sessions": 12,
    "scheduling:lines": 27,
    "scheduling:batch_add": 15,
    "scheduling:source_add": 12,
    "scheduling:reminder_wishes": 12,
    "scheduling:reminders": 11,
    "scheduling:ledger": 19,
    "scheduling:feeds": 11,
    "today": 26,
}
COORDINATOR: dict[str, int] = {
    "accounts:members": 17,
    "accounts:history": 11,
    "scheduling:requests": 19,
    "scheduling:plans": 15,
    "scheduling:plans_compare": 15,
    "scheduling:board": 12,
    "scheduling:balance": 20,
    "scheduling:source_shares": 21,
    "scheduling:settings": 11,
    "breeding:contributions": 10,
    "scheduling:bench": 13,
    "scheduling:outcomes": 15,
    "scheduling:trace": 9,
    "scheduling:reminder_watch": 16,
}


@pytest.fixture(autouse=True)
def today_is_8_june() -> Iterator[None]:
    with mock.patch("accounts.http.timezone.now", return_value=NOW):
        yield


def grow(world: World, *, first: int, rows: int) -> None:
    """So many more of everything that a list shows."""
    numbers = range(first, first + rows)
    cooperative, member, owner = world.cooperative, world.member, world.owner
    Member.objects.bulk_create(Member(cooperative=cooperative, name=f"Member of the list {n}") for n in numbers)
    apiaries = Apiary.objects.bulk_create(Apiary(member=member, name=f"Stand {n}") for n in numbers)
    AuditEntry.objects.bulk_create(
        AuditEntry(
            cooperative=cooperative, at=NOW, by=owner, action="apiary.add", subject_type="accounts.apiary",
            subject_id=apiary.pk, subject_name=apiary.name,
        )
        for apiary in apiaries
    )  # fmt: skip
    KeptMail.objects.bulk_create(
        KeptMail(to=owner.email, subject=f"Mail {n}", text="x", message_id=str(n), sent_at=NOW) for n in numbers
    )
    queens = Queen.objects.bulk_create(
        Queen(cooperative=cooperative, owner=member, label=f"Listed-{n}", birth_year=2024, status="mated")
        for n in numbers
    )
    Mating.objects.bulk_create(Mating(queen=queen, kind="open", drones=12) for queen in queens)
    colonies = Colony.objects.bulk_create(Colony(apiary=apiary, name="1") for apiary in apiaries)
    Heading.objects.bulk_create(
        Heading(colony=colony, queen=queen, since=dt.date(2025, 5, 1))
        for colony, queen in zip(colonies, queens, strict=True)
    )
    trait = TraitFactory(cooperative=cooperative)
    Score.objects.bulk_create(
        Score(colony=colony, queen=queen, trait=trait, scored_on=dt.date(2025, 7, 1), value=30, recorded_at=NOW)
        for colony, queen in zip(colonies, queens, strict=True)
    )
    crosses = PlannedCross.objects.bulk_create(
        PlannedCross(cooperative=cooperative, mother=queen, season_year=2026, planned_at=NOW) for queen in queens
    )
    CrossShare.objects.bulk_create(CrossShare(cross=cross, drone_queen=queens[0]) for cross in crosses)
    Plan.objects.bulk_create(Plan(season=world.season, state="sketch", created_at=NOW) for _ in numbers)
    Reminder.objects.bulk_create(
        Reminder(
            cooperative=cooperative, member=member, kind="graft", subject_type="scheduling.queenbatch", subject_id=n,
            due_at=NOW, base_due_at=NOW, useful_until=NOW + dt.timedelta(days=1), title=f"Graft {n}", created_at=NOW,
        )
        for n in numbers
    )  # fmt: skip
    grow_season(world, queens, first=first)


def grow_season(world: World, queens: list[Queen], *, first: int) -> None:
    """Batches with requests, counted sources and bench days; a request for each row, spread over the batches."""
    season, member = world.season, world.member
    few = queens[:SEASONAL]
    batches = QueenBatch.objects.bulk_create(
        QueenBatch(
            season=season, member=member, mother=queen, name=f"Batch of the list {queen.pk}", cells_grafted=20,
            grafted_on=dt.date(2026, 5, 20), emerged_on=dt.date(2026, 6, 1), virgins_emerged=1,
        )
        for queen in few
    )  # fmt: skip
    virgins = Queen.objects.bulk_create(
        Queen(cooperative=world.cooperative, owner=member, label=f"Virgin-{batch.pk}", birth_year=2026)
        for batch in batches
    )
    BatchQueen.objects.bulk_create(
        BatchQueen(batch=batch, queen=virgin, number=1) for batch, virgin in zip(batches, virgins, strict=True)
    )
    sources = DroneSource.objects.bulk_create(
        DroneSource(
            season=season, member=member, drone_queen=queen, name=f"Source {queen.pk}", letter=LETTERS[first + place],
            health_valid_until=season.ends_on, offered_at=NOW,
        )
        for place, queen in enumerate(few)
    )  # fmt: skip
    cohorts = DroneCohort.objects.bulk_create(
        DroneCohort(source=source, number=1, comb_in_on=dt.date(2026, 4, 27)) for source in sources
    )
    DroneCount.objects.bulk_create(
        DroneCount(cohort=cohort, kind="capped", counted_on=dt.date(2026, 5, 12), number=900, recorded_at=NOW)
        for cohort in cohorts
    )
    bench = BenchFactory(cooperative=world.cooperative)
    starts = dt.datetime(2026, 6, 9, 7, 30, tzinfo=dt.UTC)
    days = [starts + dt.timedelta(days=number) for number in range(len(few))]
    sessions = BenchSession.objects.bulk_create(
        BenchSession(
            season=season, bench=bench, day=day.date(), starts_at=day, ends_at=day + dt.timedelta(hours=5), places=14,
            operator_minutes=180, collect_drones=300, co2_capacity=40,
        )
        for day in days
    )  # fmt: skip
    bookings = Booking.objects.bulk_create(
        Booking(
            season=season, member=member, batch=batches[place % len(batches)], queens=1, asked_at=NOW,
            wished_session=sessions[place % len(sessions)],
        )
        for place in range(len(queens))
    )  # fmt: skip
    BookingSource.objects.bulk_create(
        BookingSource(booking=booking, source=sources[place % len(sources)]) for place, booking in enumerate(bookings)
    )


# Where one of many is named, no list of them is read.
NAMED_OF_MANY = {"scheduling:batch_add": 14}


def counted(world: World, client: Client, names: dict[str, int]) -> dict[str, int]:
    found = {}
    for name in names:
        client.get(reverse(name))
        with CaptureQueriesContext(connection) as asked:
            answer = client.get(reverse(name))
        assert answer.status_code == 200, name
        found[name] = len(asked)
    return found


@pytest.mark.parametrize("pages", [MEMBER, COORDINATOR], ids=["member", "coordinator"])
def test_lists_ask_as_often_for_a_thousand_rows_as_for_two(pages: dict[str, int]) -> None:
    world = make_world()
    RoleGrantFactory(person=world.owner, cooperative=world.cooperative, role=Role.COORDINATOR)
    client = Client()
    client.force_login(world.owner if pages is MEMBER else world.coordinator())
    grow(world, first=0, rows=FEW)
    assert counted(world, client, pages) == pages
    grow(world, first=FEW, rows=MANY - FEW)
    assert counted(world, client, pages) == {name: NAMED_OF_MANY.get(name, number) for name, number in pages.items()}
