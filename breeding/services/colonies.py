"""Colonies and who heads them, day by day."""

import datetime as dt

from django.db import transaction
from django.db.models import Q
from django.utils.translation import gettext as _

from accounts.models import Apiary, Person
from accounts.refusals import Refusal
from accounts.services.audit import audit_record, fields_of
from breeding.models import Colony, Heading, Queen, QueenStatus
from breeding.services.queens import queen_gone
from breeding.services.rules import check_not_later, local_day


def colony_add(
    apiary: Apiary,
    *,
    name: str,
    by: Person | None,
    now: dt.datetime,
    established_on: dt.date | None = None,
    queen: Queen | None = None,
    since: dt.date | None = None,
    note: str = "",
) -> Colony:
    """A colony at an apiary; with a queen, she heads it since that day (the day it was established, or today)."""
    cooperative = apiary.member.cooperative
    name = name.strip()
    if not name:
        raise Refusal(_("Give the colony its number or name at this apiary."), field="name", rule="name_missing")
    if apiary.closed_on is not None:
        raise Refusal(_("%(apiary)s is closed.") % {"apiary": apiary.name}, field="apiary", rule="apiary_closed")
    today = local_day(now, cooperative)
    check_not_later(established_on, today, field="established_on")
    with transaction.atomic():
        Apiary.objects.select_for_update(of=("self",)).get(pk=apiary.pk)
        if Colony.objects.filter(apiary=apiary, name__iexact=name).exists():
            raise Refusal(
                _("%(apiary)s has a colony %(name)s already.") % {"apiary": apiary.name, "name": name},
                field="name",
                rule="name_taken",
            )
        colony = Colony.objects.create(
            apiary=apiary, name=name, established_on=established_on, note=note.strip(), created_at=now
        )
        audit_record(
            colony,
            action="colony.add",
            by=by,
            now=now,
            cooperative=cooperative,
            after=fields_of(colony, ["apiary", "name", "established_on"]),
        )
        if queen is not None:
            colony_requeen(colony, queen=queen, since=since or established_on or today, by=by, now=now)
    return colony


def colony_requeen(
    colony: Colony,
    *,
    queen: Queen,
    since: dt.date,
    by: Person | None,
    now: dt.datetime,
    earlier_gone: str | None = None,
) -> Heading:
    """From this day on she heads the colony. `earlier_gone` (a reason, may be empty): the earlier queen is gone.

    The same queen since the same day again changes nothing.
    """
    cooperative = colony.apiary.member.cooperative
    if queen.cooperative_id != cooperative.pk:
        raise Refusal(_("Choose a queen of your own cooperative."), field="queen", rule="other_cooperative")
    check_not_later(since, local_day(now, cooperative), field="since")
    with transaction.atomic():
        colony = Colony.objects.select_for_update(of=("self",)).get(pk=colony.pk)
        queen = Queen.objects.select_for_update(of=("self",)).get(pk=queen.pk)
        current = Heading.objects.filter(colony=colony, until__isnull=True).select_related("queen").first()
        if current is not None and current.queen_id == queen.pk:
            if current.since == since:
                return current
            raise Refusal(
                _("%(queen)s has headed this colony since %(day)s.")
                % {"queen": queen.label, "day": current.since.isoformat()},
                field="queen",
                rule="heads_it_already",
            )
        _check_requeening(colony, queen, since, current)
        if current is not None:
            current.until = since
            current.save(update_fields=["until"])
            if earlier_gone is not None:
                queen_gone(current.queen, gone_on=since, reason=earlier_gone, by=by, now=now)
        heading = Heading.objects.create(colony=colony, queen=queen, since=since)
        audit_record(
            colony,
            action="colony.requeen",
            by=by,
            now=now,
            cooperative=cooperative,
            before={"queen": current.queen.label if current else None},
            after={"queen": queen.label, "since": since},
        )
    return heading


def colony_end(colony: Colony, *, ended_on: dt.date, reason: str = "", by: Person | None, now: dt.datetime) -> Colony:
    """The colony is no more (died, united, sold). Its queen, if she lives, heads nothing from then on."""
    cooperative = colony.apiary.member.cooperative
    check_not_later(ended_on, local_day(now, cooperative), field="ended_on")
    with transaction.atomic():
        colony = Colony.objects.select_for_update(of=("self",)).get(pk=colony.pk)
        if colony.ended_on is not None:
            if colony.ended_on == ended_on:
                return colony
            raise Refusal(
                _("It ended on %(day)s already.") % {"day": colony.ended_on.isoformat()},
                field="ended_on",
                rule="colony_ended",
            )
        latest = max(
            [day for pair in colony.headings.values_list("since", "until") for day in pair if day is not None],
            default=colony.established_on,
        )
        if latest is not None and ended_on < latest:
            raise Refusal(
                _("Something is recorded of it on %(day)s. Choose that day or a later one.")
                % {"day": latest.isoformat()},
                field="ended_on",
                rule="dates_in_order",
            )
        colony.headings.filter(until__isnull=True).update(until=ended_on)
        colony.ended_on, colony.ended_reason = ended_on, reason.strip()[:120]
        colony.save(update_fields=["ended_on", "ended_reason"])
        audit_record(
            colony,
            action="colony.end",
            by=by,
            now=now,
            cooperative=cooperative,
            after=fields_of(colony, ["ended_on", "ended_reason"]),
        )
    return colony


def _check_requeening(colony: Colony, queen: Queen, since: dt.date, current: Heading | None) -> None:
    if colony.ended_on is not None:
        raise Refusal(_("This colony ended on %(day)s.") % {"day": colony.ended_on.isoformat()}, rule="colony_ended")
    if colony.established_on is not None and since < colony.established_on:
        raise Refusal(
            _("The colony was established on %(day)s. Choose that day or a later one.")
            % {"day": colony.established_on.isoformat()},
            field="since",
            rule="dates_in_order",
        )
    if queen.emerged_on is not None and since < queen.emerged_on:
        raise Refusal(
            _("%(queen)s emerged on %(day)s.") % {"queen": queen.label, "day": queen.emerged_on.isoformat()},
            field="since",
            rule="dates_in_order",
        )
    if queen.status == QueenStatus.GONE:
        raise Refusal(_("%(queen)s is gone.") % {"queen": queen.label}, field="queen", rule="queen_gone")
    if current is not None and since < current.since:
        raise Refusal(
            _("%(queen)s has headed it since %(day)s. Choose that day or a later one.")
            % {"queen": current.queen.label, "day": current.since.isoformat()},
            field="since",
            rule="dates_in_order",
        )
    elsewhere = (
        Heading.objects.filter(queen=queen)
        .filter(Q(until__isnull=True) | Q(until__gt=since))
        .select_related("colony__apiary")
        .first()
    )
    if elsewhere is not None:
        raise Refusal(
            _("%(queen)s heads %(colony)s. Give that colony another queen first, or end it.")
            % {"queen": queen.label, "colony": elsewhere.colony},
            field="queen",
            rule="heads_another",
        )
    if Heading.objects.filter(colony=colony, until__gt=since).exists():
        raise Refusal(
            _("Another queen headed it after that day. Choose a later day."), field="since", rule="dates_in_order"
        )
