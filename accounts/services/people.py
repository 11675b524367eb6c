"""Persons: added to the cooperative, given a link for their password, changed by themselves."""

import datetime as dt
import re
from collections.abc import Collection
from dataclasses import dataclass

from django.db import IntegrityError, transaction
from django.utils.translation import gettext as _

from accounts.languages import speaking_to
from accounts.models import Cooperative, Member, MemberPerson, Person
from accounts.refusals import Refusal
from accounts.services.audit import audit_record, fields_of
from accounts.services.checks import (
    changed,
    check_still_here,
    checked_email,
    checked_language,
    checked_name,
    checked_zone,
)
from accounts.services.mails import mail_send
from accounts.services.passwords import password_confirm, password_link
from accounts.services.roles import role_grant

USER_NAME = re.compile(r"[\w.-]{3,40}")


@dataclass(frozen=True)
class AddedPerson:
    """`link` is for a new person's first password; somebody who signs in already has one."""

    person: Person
    link: str | None


def person_add(
    cooperative: Cooperative,
    *,
    name: str,
    email: str,
    phone: str = "",
    member: Member | None = None,
    roles: Collection[str] = (),
    by: Person | None,
    now: dt.datetime,
) -> AddedPerson:
    """Somebody acts for a member, or has a role, or both. Who is known by this e-mail address stays who they are."""
    name, email = checked_name(name), checked_email(email)
    if member is None and not roles:
        raise Refusal(_("Choose a member or at least one role."), field="member", rule="belongs_nowhere")
    if member is not None:
        check_still_here(member)
    try:
        with transaction.atomic():
            person = Person.objects.filter(email__iexact=email).first()
            is_new = person is None
            if person is None:
                person = Person.objects.create_user(email, name=name, phone=phone.strip(), date_joined=now)
                after = {"name": name, "email": email}
                audit_record(person, action="person.add", by=by, now=now, cooperative=cooperative, after=after)
            elif not person.is_active:
                raise Refusal(_("The sign-in of this address is closed."), field="email", rule="closed")
            if member is not None:
                person_join(member, person, by=by, now=now)
            for role in sorted(roles):
                role_grant(person, role=role, cooperative=cooperative, by=by, now=now)
            link = password_link(person) if is_new else None
            _tell(person, link, cooperative)
    except IntegrityError as error:
        raise Refusal(
            _("Somebody entered this address at the same moment. Look at the list of members."), field="email"
        ) from error
    return AddedPerson(person, link)


def person_link_make(person: Person, *, cooperative: Cooperative, by: Person | None, now: dt.datetime) -> str:
    """A link for a new password, for somebody who has none yet or forgot it. They are told by mail as well."""
    if person.is_staff or person.is_superuser or belongs_elsewhere(person, cooperative):
        raise Refusal(
            _("%(person)s is known beyond this cooperative: only they can ask for a link, on the sign-in page.")
            % {"person": person.name},
            rule="link_not_yours",
        )
    with transaction.atomic():
        audit_record(person, action="person.link", by=by, now=now, cooperative=cooperative)
        link = password_link(person)
        _tell(person, link, cooperative)
    return link


def belongs_elsewhere(person: Person, cooperative: Cooperative) -> bool:
    return (
        person.role_grants.exclude(cooperative=cooperative).exists()
        or person.member_persons.exclude(member__cooperative=cooperative).exists()
    )


def person_change(
    person: Person,
    *,
    name: str,
    phone: str,
    time_zone: str,
    language: str | None = None,
    user_name: str | None = None,
    cooperative: Cooperative | None,
    now: dt.datetime,
) -> Person:
    """One's own name, user name, telephone, time zone and language. Saying the same again changes nothing."""
    values = {"name": checked_name(name), "phone": phone.strip(), "time_zone": checked_zone(time_zone)}
    if language is not None:
        values["language"] = checked_language(language)
    if user_name is not None:
        values["user_name"] = _checked_user_name(user_name, person)
    return _change(person, values, cooperative=cooperative, now=now)


def person_language_first(person: Person, *, language: str, now: dt.datetime) -> Person:
    """Signing in says which language somebody reads, until they choose one themselves."""
    if person.language or not language:
        return person
    return _change(person, {"language": checked_language(language)}, cooperative=None, now=now)


def _change(person: Person, values: dict[str, str], *, cooperative: Cooperative | None, now: dt.datetime) -> Person:
    with transaction.atomic():
        person = Person.objects.select_for_update(of=("self",)).get(pk=person.pk)
        new = changed(person, values)
        if not new:
            return person
        before = fields_of(person, list(new))
        for field, value in new.items():
            setattr(person, field, value)
        person.save(update_fields=list(new))
        audit_record(
            person, action="person.change", by=person, now=now, cooperative=cooperative, before=before, after=new
        )
    return person


def person_email_change(
    person: Person, *, email: str, current: str, cooperative: Cooperative | None, now: dt.datetime
) -> Person:
    """Another address to sign in with; the earlier address is told, in case it was not its owner."""
    email = checked_email(email)
    if email == person.email:
        return person
    password_confirm(person, current, now=now)
    before = person.email
    try:
        with transaction.atomic():
            person = Person.objects.select_for_update(of=("self",)).get(pk=person.pk)
            person.email = email
            person.save(update_fields=["email"])
            audit_record(
                person,
                action="person.email",
                by=person,
                now=now,
                cooperative=cooperative,
                before={"email": before},
                after={"email": email},
            )
            with speaking_to(person, cooperative):
                mail_send(
                    "email_changed",
                    to=before,
                    subject=_("Your sign-in address at Broodtide was changed"),
                    context={"person": person},
                )
    except IntegrityError as error:
        raise Refusal(
            _("This address cannot be used here. Enter another one."), field="email", rule="email_taken"
        ) from error
    return person


def _checked_user_name(user_name: str, person: Person) -> str:
    user_name = user_name.strip()
    if user_name and not USER_NAME.fullmatch(user_name):
        raise Refusal(
            _("Use 3 to 40 letters, digits, dots, hyphens and underscores."), field="user_name", rule="user_name_form"
        )
    if user_name and Person.objects.filter(user_name__iexact=user_name).exclude(pk=person.pk).exists():
        raise Refusal(_("Somebody else goes by this user name. Choose another one."), field="user_name", rule="taken")
    return user_name


def person_join(member: Member, person: Person, *, by: Person | None, now: dt.datetime) -> None:
    """The person acts for the member from now on. Twice is once."""
    _row, made = MemberPerson.objects.get_or_create(member=member, person=person, defaults={"since": now})
    if made:
        audit_record(
            member,
            action="member.person_add",
            by=by,
            now=now,
            cooperative=member.cooperative,
            after={"person": person.name},
        )


def _tell(person: Person, link: str | None, cooperative: Cooperative) -> None:
    with speaking_to(person, cooperative):
        mail_send(
            "welcome",
            to=person.email,
            subject=_("You can sign in to %(cooperative)s") % {"cooperative": cooperative.name},
            context={"person": person, "cooperative": cooperative, "link": link},
        )
