"""A cooperative with one of each kind of thing, and people who look at it from every side."""

import datetime as dt
import uuid
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import pytest
from django.core.cache import cache
from django.test import Client

from accounts.models import Cooperative, Job, Member, Person, Role
from accounts.services.invitations import invitation_make
from breeding.models import EvaluationRun, Merit, SemenBatch
from breeding.services.crosses import cross_save
from breeding.services.traits import traits_make
from scheduling.models import BenchEntry, Co2Treatment, Dose, Offer, SemenLot
from tests.factories import (
    NOW,
    ApiaryFactory,
    BatchQueenFactory,
    BenchFactory,
    BenchPlaceFactory,
    BenchSessionFactory,
    BookingFactory,
    BookingSourceFactory,
    ColonyFactory,
    CooperativeFactory,
    DroneCohortFactory,
    DroneCountFactory,
    DroneSourceFactory,
    HeadingFactory,
    LineFactory,
    MatingFactory,
    MemberFactory,
    MemberPersonFactory,
    PersonFactory,
    PlanFactory,
    QueenBatchFactory,
    QueenFactory,
    ReminderFactory,
    RoleGrantFactory,
    ScoreFactory,
    SeasonFactory,
)

WHO = [
    "member", "colleague", "other member", "coordinator", "breeder", "operator", "other cooperative", "nobody",
    "anonymous",
]  # fmt: skip
TODAY = dt.date.today()  # noqa: DTZ011  the API takes the moment from the clock
DAY = dt.timedelta(days=1)


@dataclass
class House:
    """`colleague` acts for the same member as `member`; `nobody` belongs to no cooperative."""

    cooperative: Cooperative
    member: Member
    people: dict[str, Person]
    things: dict[str, Any] = field(default_factory=dict)

    def id_of(self, thing: str) -> Any:
        return self.things[thing].pk


def make_house() -> House:
    cooperative = CooperativeFactory(name="Fells")
    member = MemberFactory(cooperative=cooperative, name="Fellside")
    people: dict[str, Person] = {who: PersonFactory(name=who) for who in WHO if who != "anonymous"}
    for who in ("member", "colleague"):
        MemberPersonFactory(member=member, person=people[who])
    MemberPersonFactory(member=MemberFactory(cooperative=cooperative, name="Moorside"), person=people["other member"])
    for role in (Role.COORDINATOR, Role.BREEDER, Role.OPERATOR):
        RoleGrantFactory(cooperative=cooperative, person=people[role.value], role=role)
    elsewhere = MemberFactory(cooperative=CooperativeFactory(name="Dales"), name="Daleside")
    MemberPersonFactory(member=elsewhere, person=people["other cooperative"])
    RoleGrantFactory(cooperative=elsewhere.cooperative, person=people["other cooperative"], role=Role.COORDINATOR)
    house = House(cooperative, member, people)
    _stock(house)
    _season(house)
    return house


def _stock(house: House) -> None:
    things, member, cooperative = house.things, house.member, house.cooperative
    trait = next(trait for trait in traits_make(cooperative, by=None, now=NOW) if trait.key == "gentleness")
    mother = QueenFactory(owner=member, label="Old Rowan", birth_year=2022, status="mated")
    line = LineFactory(cooperative=cooperative)
    queen = QueenFactory(owner=member, label="Rowan 1", birth_year=2024, status="mated", mother=mother, line=line)
    MatingFactory(queen=queen)
    apiary = ApiaryFactory(member=member, name="Orchard", place="behind the barn")
    colony = ColonyFactory(apiary=apiary, name="7")
    HeadingFactory(colony=colony, queen=queen, since=dt.date(2025, 4, 1))
    run = EvaluationRun.objects.create(
        cooperative=cooperative, number=1, made_at=NOW, records_until=NOW.date(), queens=2, records=1,
        parameters={"traits": ["gentleness"]}, solver={}, is_trial=True,  # so that no page works with it
    )  # fmt: skip
    Merit.objects.create(run=run, queen=queen, merit=0.5, merit_error=0.2, reliability=0.6)
    semen = SemenBatch.objects.create(cooperative=cooperative, label="Mix 1", total_tenths=100)
    cross = cross_save(
        cooperative, mother=queen, shares={mother: 1}, season_year=TODAY.year, by=None,
        now=dt.datetime.now(tz=dt.UTC),
    )  # fmt: skip
    invited, _link = invitation_make(
        cooperative, name="Ada", email="ada@example.org", member=member, by=house.people["coordinator"],
        now=dt.datetime.now(tz=dt.UTC),
    )  # fmt: skip
    things.update(
        member=member, apiary=apiary, queen=queen, line=line, semen_batch=semen, colony=colony, trait=trait,
        person=house.people["member"], invitation=invited,
        score=ScoreFactory(colony=colony, queen=queen, trait=trait, value=3), evaluation=run, cross=cross,
    )  # fmt: skip


def _season(house: House) -> None:
    things, member = house.things, house.member
    season = SeasonFactory(
        cooperative=house.cooperative, year=TODAY.year, starts_on=TODAY - 60 * DAY, ends_on=TODAY + 60 * DAY
    )
    batch = QueenBatchFactory(season=season, member=member, mother=things["queen"], grafted_on=TODAY - 20 * DAY)
    batch_queen = BatchQueenFactory(batch=batch, queen__birth_year=TODAY.year)
    source = DroneSourceFactory(season=season, member=member)
    cohort = DroneCohortFactory(source=source, comb_in_on=TODAY - 40 * DAY)
    DroneCountFactory(cohort=cohort, counted_on=TODAY - 20 * DAY)
    bench = BenchFactory(cooperative=house.cooperative)
    session = BenchSessionFactory(season=season, bench=bench, day=TODAY + 3 * DAY)
    booking = BookingFactory(batch=batch)
    BookingSourceFactory(booking=booking, source=source)
    plan = PlanFactory(season=season, state="sketch")
    place = BenchPlaceFactory(session=session, plan=plan, booking=booking, position=1)
    now = dt.datetime.now(tz=dt.UTC)
    offer = Offer.objects.create(
        booking=booking, session=session, queens=1, rank=1, offered_at=now - DAY, expires_at=now - DAY / 2
    )
    lot = SemenLot.objects.create(session=session, source=source, label="A1", tip="T1", opened_at=now)
    dose = Dose.objects.create(
        place=place, batch_queen=batch_queen, session=session, lot=lot, volume_tenths=80, given_at=now
    )
    co2 = Co2Treatment.objects.create(batch_queen=batch_queen, session=session, started_at=now)
    reminder = ReminderFactory(member=member, due_at=now - DAY / 24)
    asked = Job.objects.create(
        cooperative=house.cooperative, kind="what_if", requested_at=now,
        arguments={"plan": plan.pk, "change": {"kind": "level", "value": "0.9"}},
    )  # fmt: skip
    entry = BenchEntry.objects.create(
        session=session, device=uuid.uuid4(), number=1, kind="wave", device_at=now, offset_ms=0, at=now,
        by=house.people["operator"], received_at=now, state="look", rule="unreadable", words="What is this?",
    )  # fmt: skip
    things.update(
        what_if=asked, entry=entry, place=place,
        season=season, batch=batch, batch_queen=batch_queen, source=source, cohort=cohort, bench=bench,
        session=session, booking=booking, plan=plan, offer=offer, lot=lot, dose=dose, co2=co2, reminder=reminder,
    )  # fmt: skip


@pytest.fixture
def house(db: None) -> House:
    return make_house()


@pytest.fixture(autouse=True)
def _limits_begin_anew() -> None:
    cache.clear()


@pytest.fixture
def client_of(house: House) -> Callable[[str], Client]:
    def client(who: str) -> Client:
        made = Client()
        if who != "anonymous":
            made.force_login(house.people[who])
        return made

    return client
