"""Members: the apiary businesses of a cooperative."""

import datetime as dt

from django.db import transaction
from django.utils.translation import gettext as _

from accounts.models import Cooperative, Member, MemberPerson, Person
from accounts.queries.people import people_of
from accounts.refusals import Refusal
from accounts.services.audit import audit_record
from accounts.services.checks import changed, check_not_later, checked_name


def member_add(cooperative: Cooperative, *, name: str, by: Person | None, now: dt.datetime) -> Member:
    name = checked_name(name)
    with transaction.atomic():
        Cooperative.objects.select_for_update(of=("self",)).get(pk=cooperative.pk)
        _refuse_taken_name(cooperative, name)
        member = Member.objects.create(cooperative=cooperative, name=name, created_at=now)
        audit_record(member, action="member.add", by=by, now=now, cooperative=cooperative, after={"name": name})
    return member


def member_change(member: Member, *, name: str, deputy: Person | None, by: Person | None, now: dt.datetime) -> Member:
    """Another name or deputy. Saying the same again changes nothing."""
    name = checked_name(name)
    if deputy is not None and not people_of(member.cooperative).filter(pk=deputy.pk).exists():
        raise Refusal(_("Choose somebody of your own cooperative."), field="deputy", rule="other_cooperative")
    with transaction.atomic():
        Cooperative.objects.select_for_update(of=("self",)).get(pk=member.cooperative_id)
        members = Member.objects.select_for_update(of=("self",)).select_related("cooperative", "deputy")
        member = members.get(pk=member.pk)
        _refuse_taken_name(member.cooperative, name, but=member)
        new = changed(member, {"name": name, "deputy": deputy})
        if not new:
            return member
        before = {field: getattr(member, field) for field in new}
        for field, value in new.items():
            setattr(member, field, value)
        member.save(update_fields=list(new))
        audit_record(
            member,
            action="member.change",
            by=by,
            now=now,
            cooperative=member.cooperative,
            before={field: str(value or "") for field, value in before.items()},
            after={field: str(value or "") for field, value in new.items()},
        )
    return member


def member_leave(member: Member, *, left_on: dt.date, by: Person | None, now: dt.datetime) -> Member:
    """The member left the cooperative: its persons no longer act for it; its stock and records stay."""
    check_not_later(left_on, member.cooperative, now=now, field="left_on")
    return _set_left_on(member, left_on=left_on, action="member.leave", by=by, now=now)


def member_return(member: Member, *, by: Person | None, now: dt.datetime) -> Member:
    return _set_left_on(member, left_on=None, action="member.return", by=by, now=now)


def member_person_remove(member: Member, *, person: Person, by: Person | None, now: dt.datetime) -> None:
    """The person no longer acts for the member; they keep their sign-in and their roles."""
    with transaction.atomic():
        Member.objects.select_for_update(of=("self",)).get(pk=member.pk)
        removed, _rows = MemberPerson.objects.filter(member=member, person=person).delete()
        if not removed:
            return
        audit_record(
            member,
            action="member.person_remove",
            by=by,
            now=now,
            cooperative=member.cooperative,
            before={"person": person.name},
        )


def _set_left_on(
    member: Member, *, left_on: dt.date | None, action: str, by: Person | None, now: dt.datetime
) -> Member:
    with transaction.atomic():
        member = Member.objects.select_for_update(of=("self",)).select_related("cooperative").get(pk=member.pk)
        before = member.left_on
        if before == left_on:
            return member
        member.left_on = left_on
        member.save(update_fields=["left_on"])
        audit_record(
            member,
            action=action,
            by=by,
            now=now,
            cooperative=member.cooperative,
            before={"left_on": before},
            after={"left_on": left_on},
        )
    return member


def _refuse_taken_name(cooperative: Cooperative, name: str, but: Member | None = None) -> None:
    taken = Member.objects.filter(cooperative=cooperative, name__iexact=name)
    if but is not None:
        taken = taken.exclude(pk=but.pk)
    if taken.exists():
        raise Refusal(
            _("%(cooperative)s has a member “%(name)s” already. Choose another name.")
            % {"cooperative": cooperative.name, "name": name},
            field="name",
            rule="name_taken",
        )
