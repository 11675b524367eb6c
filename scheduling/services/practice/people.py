"""The people of the practice cooperative: members with their apiaries, and who holds which office."""

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass, field

from django.contrib.auth.hashers import make_password

from accounts.models import Apiary, Cooperative, Member, MemberPerson, Person
from accounts.practice import PRACTICE_PASSWORD
from accounts.services.apiaries import apiary_add
from accounts.services.audit import audit_record
from accounts.services.members import member_add, member_change
from accounts.services.roles import role_grant
from scheduling.services.practice.names import COOPERATIVE, MEMBER_OF_ALL_ROLES, MEMBERS, OFFICES, MemberName

TIME_ZONE = "Europe/Berlin"


@dataclass
class People:
    """Who is who; lists in the order of `names`."""

    cooperative: Cooperative
    names: Sequence[MemberName]
    members: list[Member] = field(default_factory=list)
    keepers: list[Person] = field(default_factory=list)
    apiaries: list[tuple[Apiary, Apiary]] = field(default_factory=list)
    offices: dict[str, Person] = field(default_factory=dict)


def people_make(*, now: dt.datetime, names: Sequence[MemberName] = MEMBERS) -> People:
    cooperative = Cooperative.objects.create(name=COOPERATIVE, time_zone=TIME_ZONE, is_practice=True, created_at=now)
    people = People(cooperative, names)
    password = make_password(PRACTICE_PASSWORD)  # slow on purpose, so once for all of them
    for address, name, roles in OFFICES:
        person = _person(cooperative, f"{address}@example.org", name, password, now=now)
        people.offices[address] = person
        for role in roles:
            role_grant(person, role=role, cooperative=cooperative, by=None, now=now)
    by = people.offices["coordinator"]
    for number, (business, keeper, apiaries) in enumerate(names, start=1):
        member = member_add(cooperative, name=business, by=by, now=now)
        person = _person(cooperative, f"member{number}@example.org", keeper, password, now=now)
        _acts_for(member, person, by=by, now=now)
        people.members.append(member)
        people.keepers.append(person)
        first, second = (apiary_add(member, name=name, by=person, now=now) for name in apiaries)
        people.apiaries.append((first, second))
    everything = people.members[MEMBER_OF_ALL_ROLES]
    _acts_for(everything, people.offices["all"], by=by, now=now)
    for member, deputy in zip(people.members, people.keepers[1:], strict=False):
        member_change(member, name=member.name, deputy=deputy, by=by, now=now)
    return people


def _person(cooperative: Cooperative, email: str, name: str, password: str, *, now: dt.datetime) -> Person:
    """Without an invitation: there is nobody behind the address who could answer one."""
    person = Person.objects.create(email=email, name=name, password=password, date_joined=now)
    audit_record(person, action="person.add", by=None, now=now, cooperative=cooperative, after={"email": email})
    return person


def _acts_for(member: Member, person: Person, *, by: Person, now: dt.datetime) -> None:
    MemberPerson.objects.create(member=member, person=person, since=now)
    audit_record(
        member,
        action="member.person_add",
        by=by,
        now=now,
        cooperative=member.cooperative,
        after={"person": person.name},
    )
