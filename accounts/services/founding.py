"""The first run: a cooperative, its first person, their member business and its first apiary."""

import datetime as dt
from dataclasses import dataclass

from django.conf import settings
from django.contrib.contenttypes.models import ContentType
from django.db import transaction
from django.utils.translation import gettext as _

from accounts.access import can_found
from accounts.models import Apiary, Cooperative, Member, MemberPerson, Person, Role
from accounts.refusals import Refusal
from accounts.services.apiaries import apiary_add
from accounts.services.audit import audit_record
from accounts.services.checks import (
    check_password_strength,
    checked_email,
    checked_language,
    checked_name,
    checked_zone,
)
from accounts.services.members import member_add
from accounts.services.roles import role_grant


@dataclass(frozen=True)
class NewPerson:
    """Somebody who is not known yet."""

    name: str
    email: str
    password: str


@dataclass(frozen=True)
class Founded:
    cooperative: Cooperative
    person: Person
    member: Member
    apiary: Apiary


def cooperative_found(
    name: str,
    *,
    time_zone: str,
    language: str = settings.LANGUAGE_CODE,
    founder: Person | NewPerson,
    member_name: str,
    apiary_name: str,
    apiary_place: str = "",
    now: dt.datetime,
) -> Founded:
    """Found the first cooperative. Of two visitors at the same moment the second is refused.

    The founder becomes its coordinator and acts for its first member. Who is not known yet must be the first person
    here; whoever looks after the installation may found the first cooperative too.
    """
    name = checked_name(name)
    zone, language = checked_zone(time_zone, may_be_empty=False), checked_language(language)
    member_name = checked_name(member_name, field="member_name")
    apiary_name = checked_name(apiary_name, field="apiary_name", longest=80)
    if isinstance(founder, NewPerson):
        founder = _checked(founder)
    with transaction.atomic():
        _refuse_second(founder)
        person = founder if isinstance(founder, Person) else _person_make(founder, now=now)
        cooperative = Cooperative.objects.create(name=name, time_zone=zone, language=language, created_at=now)
        audit_record(
            cooperative,
            action="cooperative.found",
            by=person,
            now=now,
            cooperative=cooperative,
            after={"name": name, "time_zone": zone, "language": language},
        )
        if person is not founder:
            after = {"name": person.name, "email": person.email}
            audit_record(person, action="person.add", by=person, now=now, cooperative=cooperative, after=after)
        role_grant(person, role=Role.COORDINATOR, cooperative=cooperative, by=person, now=now)
        member = member_add(cooperative, name=member_name, by=person, now=now)
        MemberPerson.objects.create(member=member, person=person, since=now)
        apiary = apiary_add(member, name=apiary_name, place=apiary_place, by=person, now=now)
    return Founded(cooperative, person, member, apiary)


def _checked(founder: NewPerson) -> NewPerson:
    name, email = checked_name(founder.name, field="person_name"), checked_email(founder.email)
    check_password_strength(founder.password, Person(email=email, name=name), field="password")
    return NewPerson(name, email, founder.password)


def _person_make(founder: NewPerson, *, now: dt.datetime) -> Person:
    return Person.objects.create_user(founder.email, founder.password, name=founder.name, date_joined=now)


def _refuse_second(founder: Person | NewPerson) -> None:
    """There is no parent of the first person to lock, so the row that stands for all persons is taken."""
    ContentType.objects.select_for_update().get(app_label="accounts", model="person")
    if not can_found(founder if isinstance(founder, Person) else None):
        raise Refusal(
            _("Somebody has just made the cooperative. Ask them to add you, then sign in."), rule="founded_already"
        )
