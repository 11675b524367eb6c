"""Objects for tests. Every default is valid; a test names only what it is about."""

import datetime as dt
from typing import Any

import factory
from factory.django import DjangoModelFactory

from accounts.models import Apiary, Cooperative, Member, MemberPerson, Person, Role, RoleGrant
from breeding.models import Colony, Heading, Line, Mating, Queen, Score, Trait
from scheduling.models import (
    BatchQueen,
    Bench,
    BenchPlace,
    BenchSession,
    Booking,
    BookingSource,
    DroneCohort,
    DroneCount,
    DroneSource,
    Plan,
    QueenBatch,
    Reminder,
    Season,
)

UTC = dt.UTC
NOW = dt.datetime(2026, 6, 9, 8, 0, tzinfo=UTC)
PASSWORD = "a long enough password"


class CooperativeFactory(DjangoModelFactory[Cooperative]):
    class Meta:
        model = Cooperative

    name = factory.Sequence(lambda n: f"Cooperative {n}")
    time_zone = "Europe/Berlin"


class PersonFactory(DjangoModelFactory[Person]):
    class Meta:
        model = Person
        skip_postgeneration_save = True

    name = factory.Sequence(lambda n: f"Person {n}")
    email = factory.Sequence(lambda n: f"person{n}@example.org")

    @classmethod
    def _create(cls, model_class: type[Person], *args: Any, **kwargs: Any) -> Person:
        return model_class.objects.create_user(kwargs.pop("email"), kwargs.pop("password", PASSWORD), **kwargs)


class MemberFactory(DjangoModelFactory[Member]):
    class Meta:
        model = Member

    cooperative = factory.SubFactory(CooperativeFactory)
    name = factory.Sequence(lambda n: f"Member {n}")


class MemberPersonFactory(DjangoModelFactory[MemberPerson]):
    class Meta:
        model = MemberPerson

    member = factory.SubFactory(MemberFactory)
    person = factory.SubFactory(PersonFactory)


class RoleGrantFactory(DjangoModelFactory[RoleGrant]):
    class Meta:
        model = RoleGrant

    person = factory.SubFactory(PersonFactory)
    cooperative = factory.SubFactory(CooperativeFactory)
    role = Role.COORDINATOR


class ApiaryFactory(DjangoModelFactory[Apiary]):
    class Meta:
        model = Apiary

    member = factory.SubFactory(MemberFactory)
    name = factory.Sequence(lambda n: f"Apiary {n}")


class LineFactory(DjangoModelFactory[Line]):
    class Meta:
        model = Line

    cooperative = factory.SubFactory(CooperativeFactory)
    name = factory.Sequence(lambda n: f"Line {n}")


class QueenFactory(DjangoModelFactory[Queen]):
    class Meta:
        model = Queen

    owner = factory.SubFactory(MemberFactory)
    cooperative = factory.SelfAttribute("owner.cooperative")
    label = factory.Sequence(lambda n: f"Q-{n}")
    birth_year = 2024


class MatingFactory(DjangoModelFactory[Mating]):
    class Meta:
        model = Mating

    queen = factory.SubFactory(QueenFactory)
    kind = "open"
    drones = 12


class ColonyFactory(DjangoModelFactory[Colony]):
    class Meta:
        model = Colony

    apiary = factory.SubFactory(ApiaryFactory)
    name = factory.Sequence(lambda n: f"Hive {n}")


class HeadingFactory(DjangoModelFactory[Heading]):
    class Meta:
        model = Heading

    colony = factory.SubFactory(ColonyFactory)
    queen = factory.SubFactory(QueenFactory)
    since = dt.date(2025, 5, 1)


class TraitFactory(DjangoModelFactory[Trait]):
    class Meta:
        model = Trait
        django_get_or_create = ("cooperative", "key")

    cooperative = factory.SubFactory(CooperativeFactory)
    key = "honey_yield"
    name = "Honey yield"
    unit = "kg"
    season_rule = "sum"
    merit_weight = 1
    phenotypic_sd = 14
    h2_worker = "0.25"
    h2_queen = "0.15"
    correlation_worker_queen = "-0.5"


class ScoreFactory(DjangoModelFactory[Score]):
    class Meta:
        model = Score

    colony = factory.SubFactory(ColonyFactory)
    queen = factory.SubFactory(QueenFactory)
    trait = factory.SubFactory(TraitFactory)
    scored_on = dt.date(2025, 7, 1)
    value = 30
    recorded_at = NOW


class SeasonFactory(DjangoModelFactory[Season]):
    class Meta:
        model = Season

    cooperative = factory.SubFactory(CooperativeFactory)
    year = 2026
    starts_on = factory.LazyAttribute(lambda season: dt.date(season.year, 4, 1))
    ends_on = factory.LazyAttribute(lambda season: dt.date(season.year, 8, 31))


class QueenBatchFactory(DjangoModelFactory[QueenBatch]):
    class Meta:
        model = QueenBatch

    season = factory.SubFactory(SeasonFactory)
    member = factory.SubFactory(MemberFactory, cooperative=factory.SelfAttribute("..season.cooperative"))
    mother = factory.SubFactory(QueenFactory, owner=factory.SelfAttribute("..member"))
    name = factory.Sequence(lambda n: f"Batch {n}")
    grafted_on = dt.date(2026, 5, 20)
    cells_grafted = 20


class BatchQueenFactory(DjangoModelFactory[BatchQueen]):
    class Meta:
        model = BatchQueen

    batch = factory.SubFactory(QueenBatchFactory)
    queen = factory.SubFactory(
        QueenFactory,
        owner=factory.SelfAttribute("..batch.member"),
        mother=factory.SelfAttribute("..batch.mother"),
        birth_year=2026,
    )
    number = factory.Sequence(lambda n: n + 1)


class DroneSourceFactory(DjangoModelFactory[DroneSource]):
    class Meta:
        model = DroneSource

    season = factory.SubFactory(SeasonFactory)
    member = factory.SubFactory(MemberFactory, cooperative=factory.SelfAttribute("..season.cooperative"))
    drone_queen = factory.SubFactory(QueenFactory, owner=factory.SelfAttribute("..member"))
    name = factory.Sequence(lambda n: f"Source {n}")
    letter = factory.Sequence(lambda n: chr(65 + n % 26) + ("" if n < 26 else str(n // 26 % 10)))


class DroneCohortFactory(DjangoModelFactory[DroneCohort]):
    class Meta:
        model = DroneCohort

    source = factory.SubFactory(DroneSourceFactory)
    number = factory.Sequence(lambda n: n + 1)
    comb_in_on = dt.date(2026, 4, 27)


class DroneCountFactory(DjangoModelFactory[DroneCount]):
    class Meta:
        model = DroneCount

    cohort = factory.SubFactory(DroneCohortFactory)
    kind = "capped"
    counted_on = dt.date(2026, 5, 12)
    number = 400
    recorded_at = NOW


class BenchFactory(DjangoModelFactory[Bench]):
    class Meta:
        model = Bench

    cooperative = factory.SubFactory(CooperativeFactory)
    name = factory.Sequence(lambda n: f"Bench {n}")


class BenchSessionFactory(DjangoModelFactory[BenchSession]):
    class Meta:
        model = BenchSession

    season = factory.SubFactory(SeasonFactory)
    bench = factory.SubFactory(BenchFactory, cooperative=factory.SelfAttribute("..season.cooperative"))
    day = dt.date(2026, 6, 9)
    starts_at = factory.LazyAttribute(lambda s: dt.datetime.combine(s.day, dt.time(7, 30), tzinfo=UTC))
    ends_at = factory.LazyAttribute(lambda s: s.starts_at + dt.timedelta(hours=5))
    places = 14
    operator_minutes = 180
    collect_drones = 300
    co2_capacity = 40


class BookingFactory(DjangoModelFactory[Booking]):
    class Meta:
        model = Booking

    batch = factory.SubFactory(QueenBatchFactory)
    season = factory.SelfAttribute("batch.season")
    member = factory.SelfAttribute("batch.member")
    queens = 6
    asked_at = NOW


class BookingSourceFactory(DjangoModelFactory[BookingSource]):
    class Meta:
        model = BookingSource

    booking = factory.SubFactory(BookingFactory)
    source = factory.SubFactory(DroneSourceFactory)


class ReminderFactory(DjangoModelFactory[Reminder]):
    class Meta:
        model = Reminder

    member = factory.SubFactory(MemberFactory)
    cooperative = factory.SelfAttribute("member.cooperative")
    kind = "cage_cells"
    subject_type = "scheduling.queenbatch"
    subject_id = factory.Sequence(lambda n: n + 1)
    due_at = NOW
    base_due_at = factory.SelfAttribute("due_at")
    tell_at = factory.SelfAttribute("due_at")
    useful_until = factory.LazyAttribute(lambda r: r.due_at + dt.timedelta(hours=36))
    critical = True
    title = "Cage the ripe cells of Rowan 1"
    created_at = NOW - dt.timedelta(days=3)


class PlanFactory(DjangoModelFactory[Plan]):
    class Meta:
        model = Plan

    season = factory.SubFactory(SeasonFactory)
    state = "sketch"
    created_at = NOW


class BenchPlaceFactory(DjangoModelFactory[BenchPlace]):
    class Meta:
        model = BenchPlace

    session = factory.SubFactory(BenchSessionFactory)
    position = factory.Sequence(lambda n: n + 1)
    plan = factory.SubFactory(PlanFactory, season=factory.SelfAttribute("..session.season"))
    booking = factory.SubFactory(BookingFactory)
    dose_tenths = 80
