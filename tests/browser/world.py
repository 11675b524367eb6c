"""The world in which the journey begins: a cooperative with three years of scored stock and an empty season."""

import datetime as dt
from dataclasses import dataclass

import numpy as np
from django.db import transaction

from accounts.models import Cooperative, Member, Person
from breeding.models import Queen, QueenStatus
from scheduling.models import Bench, BenchSession, Booking, BookingMode, CountKind, DroneSource, QueenBatch, Season
from scheduling.services.batches import batch_add
from scheduling.services.bookings import booking_ask
from scheduling.services.cohorts import cohort_add, count_record
from scheduling.services.practice.pedigree import SIZES
from scheduling.services.practice.people import people_make
from scheduling.services.practice.settings import settings_make
from scheduling.services.practice.stock import stock_make
from scheduling.services.season import season_open
from scheduling.services.sessions import bench_add, session_open
from scheduling.services.sources import source_offer

FIRST_DAY = dt.datetime(2026, 5, 4, 6, 0, tzinfo=dt.UTC)  # 8 in the morning in Berlin
SEED = 12
SETTINGS = (
    ("drone_daily_survival", "0.97", "Our own counts."),
    ("drone_recapture_share", "0.85", "Our own counts."),
    ("operator_queens_per_hour", "14", "Last year's mean."),
    ("operator_drones_per_hour", "110", "Last year's mean."),
    ("source_setup_minutes", "8", "By the clock."),
)


@dataclass
class Clock:
    now: dt.datetime

    def to(self, offset: int, hour: int = 8, minute: int = 0) -> dt.datetime:
        """Go to a day of the journey, at an hour in UTC. Time goes forward only."""
        wanted = dt.datetime.combine(FIRST_DAY.date() + dt.timedelta(days=offset), dt.time(hour, minute), dt.UTC)
        assert wanted >= self.now
        self.now = wanted
        return wanted

    def forward(self, **parts: int) -> dt.datetime:
        self.now += dt.timedelta(**parts)
        return self.now


@dataclass
class JourneyWorld:
    cooperative: Cooperative
    season: Season
    clock: Clock
    members: list[Member]
    keepers: list[Person]
    offices: dict[str, Person]

    def mated_queens(self, member: Member) -> list[Queen]:
        """Living mated queens of one member, in a fixed order."""
        return list(Queen.objects.filter(owner=member, status=QueenStatus.MATED).order_by("label"))


@transaction.atomic
def world_make(clock: Clock) -> JourneyWorld:
    people = people_make(now=clock.now)
    stock_make(
        people,
        last_year=FIRST_DAY.year - 1,
        size=SIZES["small"],
        rng=np.random.default_rng(SEED),
        by=people.offices["breeder"],
        now=clock.now,
    )
    season = season_open(
        people.cooperative,
        year=FIRST_DAY.year,
        starts_on=dt.date(FIRST_DAY.year, 4, 1),
        ends_on=dt.date(FIRST_DAY.year, 8, 31),
        by=people.offices["coordinator"],
        now=clock.now,
    )
    settings_make(season, SETTINGS, by=people.offices["coordinator"], now=clock.now)
    return JourneyWorld(people.cooperative, season, clock, people.members, people.keepers, people.offices)


def source_offered(
    world: JourneyWorld, place: int, *, name: str, drone_queen: Queen, comb_in_on: dt.date, capped: int
) -> DroneSource:
    """A source of another keeper with a counted comb."""
    by, now = world.keepers[place], world.clock.now
    source = source_offer(
        world.season,
        member=world.members[place],
        drone_queen=drone_queen,
        name=name,
        health_valid_until=world.season.ends_on,
        by=by,
        now=now,
    )
    cohort = cohort_add(source, comb_in_on=comb_in_on, by=by, now=now)
    count_record(cohort, kind=CountKind.CAPPED, counted_on=now.date(), number=capped, by=by, now=now)
    return source


def batch_grafted(world: JourneyWorld, place: int, *, name: str, mother: Queen, on: dt.date, cells: int) -> QueenBatch:
    by, now = world.keepers[place], world.clock.now
    member = world.members[place]
    return batch_add(
        world.season, member=member, mother=mother, name=name, grafted_on=on, cells_grafted=cells, by=by, now=now
    )


def asked(
    world: JourneyWorld,
    batch: QueenBatch,
    *,
    queens: int,
    sources: list[DroneSource],
    session: BenchSession | None,
    mode: str = BookingMode.EACH,
) -> Booking:
    by = world.keepers[world.members.index(batch.member)]
    return booking_ask(batch, queens=queens, sources=sources, session=session, mode=mode, by=by, now=world.clock.now)


def day_opened(world: JourneyWorld, day: dt.date, *, places: int) -> BenchSession:
    by, now = world.offices["coordinator"], world.clock.now
    bench = Bench.objects.filter(cooperative=world.cooperative).first()
    return session_open(
        world.season,
        bench=bench or bench_add(world.cooperative, name="Brook house", by=by, now=now),
        day=day,
        starts=dt.time(9, 30),
        ends=dt.time(14, 0),
        places=places,
        operator_minutes=180,
        collect_drones=400,
        co2_capacity=40,
        operator=world.offices["operator"],
        by=by,
        now=now,
    )
