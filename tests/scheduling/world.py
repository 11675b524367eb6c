"""A small cooperative in June 2026, as the season's tests meet it."""

import datetime as dt
from dataclasses import dataclass
from typing import Any
from zoneinfo import ZoneInfo

from accounts.models import Apiary, Cooperative, Member, Person, Role
from breeding.models import Queen, QueenStatus
from scheduling.models import BenchSession, DroneCohort, DroneSource, QueenBatch, Season
from tests.factories import (
    ApiaryFactory,
    BatchQueenFactory,
    BenchFactory,
    BenchSessionFactory,
    CooperativeFactory,
    DroneCohortFactory,
    DroneCountFactory,
    DroneSourceFactory,
    MatingFactory,
    MemberFactory,
    MemberPersonFactory,
    PersonFactory,
    QueenBatchFactory,
    QueenFactory,
    RoleGrantFactory,
    SeasonFactory,
)

BERLIN = ZoneInfo("Europe/Berlin")
# The day before the bench of the reference's example A (graft Wed 20 May, bench Tue 9 June).
NOW = dt.datetime(2026, 6, 8, 8, 0, tzinfo=dt.UTC)
TODAY = dt.date(2026, 6, 8)


@dataclass
class World:
    cooperative: Cooperative
    season: Season
    member: Member
    owner: Person
    apiary: Apiary

    def person(self, *, member: Member | None = None, role: str | None = None) -> Person:
        person: Person = PersonFactory()
        if member is not None:
            MemberPersonFactory(member=member, person=person)
        if role is not None:
            RoleGrantFactory(person=person, cooperative=self.cooperative, role=role)
        return person

    def coordinator(self) -> Person:
        return self.person(role=Role.COORDINATOR)

    def other_member(self) -> Member:
        member: Member = MemberFactory(cooperative=self.cooperative)
        return member

    def mother(self, **kwargs: Any) -> Queen:
        kwargs.setdefault("owner", self.member)
        queen: Queen = QueenFactory(status=QueenStatus.MATED, **kwargs)
        MatingFactory(queen=queen)
        return queen

    def batch(self, *, virgins: int | None = None, **kwargs: Any) -> QueenBatch:
        """Grafted Wed 20 May; with `virgins`, that many emerged on Mon 1 June."""
        kwargs.setdefault("member", self.member)
        kwargs.setdefault("mother", self.mother(owner=kwargs["member"]))
        if virgins is not None:
            kwargs.setdefault("emerged_on", dt.date(2026, 6, 1))
            kwargs["virgins_emerged"] = virgins
        batch: QueenBatch = QueenBatchFactory(season=self.season, **kwargs)
        for number in range(1, (virgins or 0) + 1):
            BatchQueenFactory(batch=batch, number=number, queen__emerged_on=batch.emerged_on)
        return batch

    def source(self, *, drones: int | None = 1000, member: Member | None = None, **kwargs: Any) -> DroneSource:
        """Comb in Mon 27 April: drones 16 to 19 days old on Tue 9 June; `drones` capped cells were counted."""
        comb_in_on = kwargs.pop("comb_in_on", dt.date(2026, 4, 27))
        source: DroneSource = DroneSourceFactory(season=self.season, member=member or self.member, **kwargs)
        if comb_in_on is not None:
            cohort: DroneCohort = DroneCohortFactory(source=source, number=1, comb_in_on=comb_in_on)
            if drones is not None:
                DroneCountFactory(cohort=cohort, number=drones)
        return source

    def session(self, day: dt.date = dt.date(2026, 6, 9), **kwargs: Any) -> BenchSession:
        kwargs.setdefault("bench", BenchFactory(cooperative=self.cooperative))
        session: BenchSession = BenchSessionFactory(season=self.season, day=day, **kwargs)
        return session


def make_world() -> World:
    cooperative = CooperativeFactory()
    season = SeasonFactory(cooperative=cooperative)
    member = MemberFactory(cooperative=cooperative)
    owner = PersonFactory()
    MemberPersonFactory(member=member, person=owner)
    return World(cooperative, season, member, owner, ApiaryFactory(member=member))
