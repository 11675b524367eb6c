"""A cooperative with people who look at it from every side."""

from collections.abc import Callable
from dataclasses import dataclass, field

import pytest
from django.test import Client

from accounts.models import Apiary, Cooperative, Member, Person, Role
from tests.factories import (
    ApiaryFactory,
    CooperativeFactory,
    MemberFactory,
    MemberPersonFactory,
    PersonFactory,
    RoleGrantFactory,
)

PEOPLE = ["owner", "colleague", "stranger", "coordinator", "breeder", "other cooperative", "nobody", "anonymous"]


@dataclass
class House:
    """One member with an apiary and two persons, another member, a coordinator, another cooperative."""

    cooperative: Cooperative
    member: Member
    neighbour: Member
    apiary: Apiary
    people: dict[str, Person] = field(default_factory=dict)

    def __getitem__(self, who: str) -> Person:
        return self.people[who]


@pytest.fixture
def house(db: None) -> House:
    """`colleague` acts for the same member as `owner`; `stranger` for another; `nobody` belongs nowhere."""
    cooperative = CooperativeFactory(name="Fells")
    member = MemberFactory(cooperative=cooperative, name="Fellside")
    neighbour = MemberFactory(cooperative=cooperative, name="Moorside")
    made = House(cooperative, member, neighbour, ApiaryFactory(member=member, name="Orchard", place="behind the barn"))
    names = [who for who in PEOPLE if who != "anonymous"]
    people: dict[str, Person] = {
        who: PersonFactory(name=who, email=f"{who.replace(' ', '-')}@example.org") for who in names
    }
    for who in ("owner", "colleague"):
        MemberPersonFactory(member=member, person=people[who])
    MemberPersonFactory(member=neighbour, person=people["stranger"])
    RoleGrantFactory(cooperative=cooperative, person=people["coordinator"], role=Role.COORDINATOR)
    RoleGrantFactory(cooperative=cooperative, person=people["breeder"], role=Role.BREEDER)
    elsewhere = MemberFactory(cooperative=CooperativeFactory(name="Dales"), name="Daleside")
    MemberPersonFactory(member=elsewhere, person=people["other cooperative"])
    RoleGrantFactory(cooperative=elsewhere.cooperative, person=people["other cooperative"], role=Role.COORDINATOR)
    made.people = people
    return made


@pytest.fixture
def client_of(house: House) -> Callable[[str], Client]:
    def client(who: str) -> Client:
        made = Client()
        if who != "anonymous":
            made.force_login(house[who])
        return made

    return client
