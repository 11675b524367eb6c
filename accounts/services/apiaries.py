"""Apiaries: added, changed, closed.

Closing is always possible: colonies that stand there keep their cards and are ended one by one; a closed apiary
takes no new ones.
"""

import datetime as dt
from typing import Any

from django.db import transaction
from django.utils.translation import gettext as _

from accounts.models import Apiary, Member, Person
from accounts.refusals import Refusal
from accounts.services.audit import audit_record, fields_of
from accounts.services.checks import changed, check_not_later, check_still_here, checked_name, checked_zone

FIELDS = ["name", "place", "registration_number", "time_zone"]


def apiary_add(
    member: Member,
    *,
    name: str,
    place: str = "",
    registration_number: str = "",
    time_zone: str = "",
    by: Person | None,
    now: dt.datetime,
) -> Apiary:
    values = _checked(name, place, registration_number, time_zone)
    check_still_here(member)
    with transaction.atomic():
        Member.objects.select_for_update(of=("self",)).get(pk=member.pk)
        _refuse_taken_name(member, values["name"])
        apiary = Apiary.objects.create(member=member, created_at=now, **values)
        audit_record(
            apiary,
            action="apiary.add",
            by=by,
            now=now,
            cooperative=member.cooperative,
            after={"member": member.name, **values},
        )
    return apiary


def apiary_change(
    apiary: Apiary,
    *,
    name: str,
    place: str,
    registration_number: str,
    time_zone: str,
    by: Person | None,
    now: dt.datetime,
) -> Apiary:
    """Saying the same again changes nothing."""
    values = _checked(name, place, registration_number, time_zone)
    with transaction.atomic():
        member = Member.objects.select_for_update(of=("self",)).get(pk=apiary.member_id)
        apiary = Apiary.objects.select_for_update(of=("self",)).select_related("member__cooperative").get(pk=apiary.pk)
        _refuse_taken_name(member, values["name"], but=apiary)
        new = changed(apiary, values)
        if not new:
            return apiary
        before = fields_of(apiary, list(new))
        for field, value in new.items():
            setattr(apiary, field, value)
        apiary.save(update_fields=list(new))
        _audit(apiary, "apiary.change", by, now, before=before, after=new)
    return apiary


def apiary_close(apiary: Apiary, *, closed_on: dt.date, by: Person | None, now: dt.datetime) -> Apiary:
    check_not_later(closed_on, apiary.member.cooperative, now=now, field="closed_on")
    return _set_closed_on(apiary, closed_on=closed_on, action="apiary.close", by=by, now=now)


def apiary_reopen(apiary: Apiary, *, by: Person | None, now: dt.datetime) -> Apiary:
    return _set_closed_on(apiary, closed_on=None, action="apiary.reopen", by=by, now=now)


def _set_closed_on(
    apiary: Apiary, *, closed_on: dt.date | None, action: str, by: Person | None, now: dt.datetime
) -> Apiary:
    with transaction.atomic():
        apiary = Apiary.objects.select_for_update(of=("self",)).select_related("member__cooperative").get(pk=apiary.pk)
        before = apiary.closed_on
        if before == closed_on:
            return apiary
        apiary.closed_on = closed_on
        apiary.save(update_fields=["closed_on"])
        _audit(apiary, action, by, now, before={"closed_on": before}, after={"closed_on": closed_on})
    return apiary


def _audit(
    apiary: Apiary,
    action: str,
    by: Person | None,
    now: dt.datetime,
    *,
    before: dict[str, Any],
    after: dict[str, Any],
) -> None:
    cooperative = apiary.member.cooperative
    audit_record(apiary, action=action, by=by, now=now, cooperative=cooperative, before=before, after=after)


def _checked(name: str, place: str, registration_number: str, time_zone: str) -> dict[str, str]:
    return {
        "name": checked_name(name, longest=80),
        "place": place.strip(),
        "registration_number": registration_number.strip(),
        "time_zone": checked_zone(time_zone),
    }


def _refuse_taken_name(member: Member, name: str, but: Apiary | None = None) -> None:
    taken = Apiary.objects.filter(member=member, name__iexact=name)
    if but is not None:
        taken = taken.exclude(pk=but.pk)
    if taken.exists():
        raise Refusal(
            _("%(member)s has an apiary “%(name)s” already. Choose another name.")
            % {"member": member.name, "name": name},
            field="name",
            rule="name_taken",
        )
