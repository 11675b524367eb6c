"""A cooperative with stock, and people who look at it from every side."""

import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass
from decimal import Decimal

import pytest
from django.test import Client

from accounts.models import Apiary, Cooperative, Member, Person, Role
from breeding.models import Colony, Heading, Queen, Score, Trait
from breeding.services.scores import score_record
from breeding.services.traits import traits_make
from tests.factories import (
    NOW,
    ApiaryFactory,
    ColonyFactory,
    CooperativeFactory,
    HeadingFactory,
    LineFactory,
    MatingFactory,
    MemberFactory,
    MemberPersonFactory,
    PersonFactory,
    QueenFactory,
    RoleGrantFactory,
)


@dataclass
class Stock:
    """One colony of one member with its queen, a score, and another member beside it."""

    cooperative: Cooperative
    owner: Member
    neighbour: Member
    apiary: Apiary
    colony: Colony
    queen: Queen
    heading: Heading
    score: Score
    traits: dict[str, Trait]


@pytest.fixture
def stock(db: None) -> Stock:
    cooperative = CooperativeFactory()
    owner = MemberFactory(cooperative=cooperative, name="Fellside")
    traits = {trait.key: trait for trait in traits_make(cooperative, by=None, now=NOW)}
    apiary = ApiaryFactory(member=owner, name="Orchard")
    mother = QueenFactory(owner=owner, label="Old Rowan", birth_year=2022)
    MatingFactory(queen=mother)
    queen = QueenFactory(
        owner=owner, label="Rowan 1", birth_year=2024, mother=mother, line=LineFactory(cooperative=cooperative)
    )
    MatingFactory(queen=queen)
    Queen.objects.filter(pk__in=[queen.pk, mother.pk]).update(status="mated")
    queen.refresh_from_db()
    colony = ColonyFactory(apiary=apiary, name="7")
    heading = HeadingFactory(colony=colony, queen=queen, since=dt.date(2025, 4, 1))
    score = score_record(
        colony, trait=traits["gentleness"], scored_on=dt.date(2025, 6, 1), value=Decimal(3), by=None, now=NOW
    )
    return Stock(
        cooperative,
        owner,
        MemberFactory(cooperative=cooperative, name="Moorside"),
        apiary,
        colony,
        queen,
        heading,
        score,
        traits,
    )


PEOPLE = ["owner", "colleague", "coordinator", "breeder", "other cooperative", "nobody", "anonymous"]


@pytest.fixture
def person_of(stock: Stock) -> Callable[[str], Person | None]:
    """`colleague` belongs to another member of the cooperative, `nobody` to no cooperative at all."""

    def person(who: str) -> Person | None:
        if who == "anonymous":
            return None
        made = PersonFactory(name=who)
        if who == "owner":
            MemberPersonFactory(person=made, member=stock.owner)
        elif who == "colleague":
            MemberPersonFactory(person=made, member=stock.neighbour)
        elif who == "coordinator":
            RoleGrantFactory(person=made, cooperative=stock.cooperative, role=Role.COORDINATOR)
        elif who == "breeder":
            RoleGrantFactory(person=made, cooperative=stock.cooperative, role=Role.BREEDER)
        elif who == "other cooperative":
            other = MemberFactory()
            MemberPersonFactory(person=made, member=other)
            RoleGrantFactory(person=made, cooperative=other.cooperative, role=Role.COORDINATOR)
        return made

    return person


@pytest.fixture
def client_of(person_of: Callable[[str], Person | None]) -> Callable[[str], Client]:
    def client(who: str) -> Client:
        made = Client()
        person = person_of(who)
        if person is not None:
            made.force_login(person)
        return made

    return client
