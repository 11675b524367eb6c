"""Invitations: by the coordinator to an address, taken up once by whoever has the link, taken back at any time."""

import datetime as dt
import hashlib
import secrets
from collections.abc import Collection

from django.db import IntegrityError, transaction
from django.utils.translation import gettext as _

from accounts.languages import speaking_to
from accounts.models import Cooperative, Invitation, Member, Person, Role, RoleGrant
from accounts.refusals import Refusal
from accounts.services.audit import audit_record
from accounts.services.checks import check_password_strength, check_still_here, checked_email, checked_name
from accounts.services.mails import mail_send, site_address
from accounts.services.people import person_join
from accounts.services.roles import role_grant

WORKS_FOR = dt.timedelta(days=14)
TOKEN_BYTES = 32


def invitation_make(
    cooperative: Cooperative,
    *,
    name: str,
    email: str,
    phone: str = "",
    member: Member | None = None,
    roles: Collection[str] = (),
    by: Person,
    now: dt.datetime,
) -> tuple[Invitation, str]:
    """Invite an address that nobody signs in with yet. Returns the link; an earlier invitation of it works no more."""
    name, email = checked_name(name), checked_email(email)
    if member is None and not roles:
        raise Refusal(_("Choose a member or at least one role."), field="member", rule="belongs_nowhere")
    if member is not None:
        check_still_here(member)
    with transaction.atomic():
        Cooperative.objects.select_for_update(of=("self",)).get(pk=cooperative.pk)
        Invitation.objects.filter(cooperative=cooperative, email__iexact=email, ended_at=None).update(ended_at=now)
        token = secrets.token_urlsafe(TOKEN_BYTES)
        invitation = Invitation.objects.create(
            cooperative=cooperative,
            email=email,
            name=name,
            phone=phone.strip(),
            member=member,
            roles=sorted(Role(role).value for role in roles),
            token_hash=_hash(token),
            made_by=by,
            made_at=now,
            expires_at=now + WORKS_FOR,
        )
        _record(invitation, "invitation.make", by=by, now=now)
        return invitation, _tell(invitation, token)


def invitation_again(invitation: Invitation, *, by: Person, now: dt.datetime) -> str:
    """A new link for an open invitation: the earlier one works no more, and the days begin anew."""
    with transaction.atomic():
        row = Invitation.objects.select_for_update(of=("self",)).get(pk=invitation.pk)
        if row.ended_at is not None:
            raise Refusal(_("This invitation was taken up or taken back. Invite anew."), rule="invitation_over")
        token = secrets.token_urlsafe(TOKEN_BYTES)
        row.token_hash, row.made_by, row.expires_at = _hash(token), by, now + WORKS_FOR
        row.save(update_fields=["token_hash", "made_by", "expires_at"])
        _record(row, "invitation.again", by=by, now=now)
        return _tell(row, token)


def invitation_end(invitation: Invitation, *, by: Person, now: dt.datetime) -> None:
    """Taken back: the link works no more. Twice is once."""
    with transaction.atomic():
        row = Invitation.objects.select_for_update(of=("self",)).get(pk=invitation.pk)
        if row.ended_at is None:
            _end(row, now=now)
            _record(row, "invitation.end", by=by, now=now)


def invitation_of(token: str, *, now: dt.datetime) -> Invitation | None:
    """The invitation behind a link, while it works: also only while whoever made it still looks after people."""
    found = Invitation.objects.select_related("cooperative", "member", "made_by")
    row = found.filter(token_hash=_hash(token), ended_at=None, expires_at__gt=now).first()
    if row is None:
        return None
    grants = RoleGrant.objects.filter(cooperative=row.cooperative, person=row.made_by, role=Role.COORDINATOR)
    is_coordinator = row.made_by.is_active and grants.exists()
    is_member_here = row.member is None or row.member.left_on is None
    return row if is_coordinator and is_member_here else None


def invitation_take(invitation: Invitation, *, name: str, password: str, now: dt.datetime) -> Person:
    """Somebody who is not known yet comes in, with a password of their own."""
    name = checked_name(name)
    check_password_strength(password, Person(email=invitation.email, name=name), field="password")
    try:
        with transaction.atomic():
            row = _still_open(invitation, now=now)
            person = Person.objects.create_user(
                row.email, password, name=name, phone=row.phone, date_joined=now, language=row.cooperative.language
            )
            after = {"name": name, "email": row.email}
            audit_record(person, action="person.add", by=row.made_by, now=now, cooperative=row.cooperative, after=after)
            _come_in(row, person, now=now)
    except IntegrityError as error:
        raise Refusal(
            _("Somebody signs in with this address already. Sign in, then open the link again."), rule="known"
        ) from error
    return person


def invitation_take_as(invitation: Invitation, *, person: Person, now: dt.datetime) -> Person:
    """Somebody who is known by the invited address, and signed in, takes it up."""
    if person.email.casefold() != invitation.email.casefold():
        raise Refusal(
            _("This invitation is for %(email)s. Sign in with that address.") % {"email": invitation.email},
            rule="not_yours",
        )
    with transaction.atomic():
        _come_in(_still_open(invitation, now=now), person, now=now)
    return person


def _still_open(invitation: Invitation, *, now: dt.datetime) -> Invitation:
    """Locked, so that of two who press the button at once one comes in."""
    rows = Invitation.objects.select_for_update(of=("self",)).select_related("cooperative", "member", "made_by")
    row = rows.get(pk=invitation.pk)
    if row.ended_at is not None or row.expires_at <= now:
        raise Refusal(_("This invitation was taken up or taken back. Ask for another one."), rule="invitation_over")
    return row


def _come_in(row: Invitation, person: Person, *, now: dt.datetime) -> None:
    if row.member is not None:
        person_join(row.member, person, by=row.made_by, now=now)
    for role in row.roles:
        role_grant(person, role=role, cooperative=row.cooperative, by=row.made_by, now=now)
    _end(row, now=now)
    audit_record(person, action="invitation.take", by=person, now=now, cooperative=row.cooperative)


def _end(row: Invitation, *, now: dt.datetime) -> None:
    row.ended_at = now
    row.save(update_fields=["ended_at"])


def _tell(invitation: Invitation, token: str) -> str:
    link = site_address("accounts:join", token)
    with speaking_to(None, invitation.cooperative):
        mail_send(
            "invitation",
            to=invitation.email,
            subject=_("You are invited to %(cooperative)s") % {"cooperative": invitation.cooperative.name},
            context={"invitation": invitation, "link": link, "days": WORKS_FOR.days},
        )
    return link


def _record(invitation: Invitation, action: str, *, by: Person, now: dt.datetime) -> None:
    after = {
        "email": invitation.email,
        "member": str(invitation.member or ""),
        "roles": [str(Role(role).label) for role in invitation.roles],
    }
    audit_record(invitation, action=action, by=by, now=now, cooperative=invitation.cooperative, after=after)


def _hash(token: str) -> str:
    """The token is random enough that a plain digest gives nothing away."""
    return hashlib.sha256(token.encode()).hexdigest()
