"""When a person hears of things: lead times of each kind, quiet hours, pauses. What is told next moves with them."""

import datetime as dt
from collections.abc import Mapping

from django.db import transaction
from django.db.models import Q
from django.utils.translation import gettext as _

from accounts.models import Cooperative, Person, ReminderLead
from accounts.refusals import Refusal
from accounts.services.audit import audit_record, fields_of
from scheduling.models import Reminder, ReminderState
from scheduling.planning.timing import elapsed_after
from scheduling.reminder_kinds import KINDS
from scheduling.services.tell_at import tell_at_refresh

SHORTEST_LEAD_MIN, LONGEST_LEAD_MIN = 15, 14 * 24 * 60
LONGEST_PAUSE_DAYS = 60
LADDER_FIELDS = ["deputy_after_min", "coordinator_after_min", "deputy_after_day_min", "coordinator_after_day_min"]


def telling_times_set(
    person: Person,
    *,
    leads_min: Mapping[str, int | None],
    quiet_from: dt.time | None,
    quiet_until: dt.time | None,
    cooperative: Cooperative | None,
    by: Person,
    now: dt.datetime,
) -> Person:
    """Keep quiet hours and, for each kind named, how long before its moment the person hears of it too (None: not)."""
    if (quiet_from is None) != (quiet_until is None):
        raise Refusal(_("Give both ends of the quiet hours, or none."), field="quiet_until", rule="quiet_half")
    for kind, minutes in leads_min.items():
        if kind not in KINDS or KINDS[kind].is_news:
            raise Refusal(_("News has no moment that one could hear of before."), rule="lead_kind")
        if minutes is not None and not SHORTEST_LEAD_MIN <= minutes <= LONGEST_LEAD_MIN:
            raise Refusal(_("Choose between a quarter of an hour and 14 days."), field=kind, rule="lead_bounds")
    with transaction.atomic():
        before = {**fields_of(person, ["quiet_from", "quiet_until"]), "leads_min": _leads(person)}
        person.quiet_from, person.quiet_until = quiet_from, quiet_until
        person.save(update_fields=["quiet_from", "quiet_until"])
        for kind, minutes in leads_min.items():
            if minutes is None:
                ReminderLead.objects.filter(person=person, kind=kind).delete()
            else:
                ReminderLead.objects.update_or_create(person=person, kind=kind, defaults={"minutes": minutes})
        after = {**fields_of(person, ["quiet_from", "quiet_until"]), "leads_min": _leads(person)}
        if after != before:
            audit_record(
                person, action="wishes.set", by=by, now=now, cooperative=cooperative, before=before, after=after
            )
        if after["leads_min"] != before["leads_min"]:
            tell_at_refresh(
                Reminder.objects.filter(state=ReminderState.WANTED, due_at__gt=now, kind__in=list(leads_min)).filter(
                    Q(person=person) | Q(person__isnull=True, member__persons=person)
                )
            )
    return person


def reminders_pause(
    person: Person, *, until: dt.datetime | None, cooperative: Cooperative, by: Person, now: dt.datetime
) -> Person:
    """Nothing leaves the app for the person until then (None: ends the pause); others are told of what is critical."""
    if until is not None and until <= now:
        raise Refusal(_("Choose a day that is still to come."), field="until", rule="pause_past")
    if until is not None and until > elapsed_after(now, LONGEST_PAUSE_DAYS * 24):
        raise Refusal(
            _("Choose at most %(days)d days; a pause can be made longer later.") % {"days": LONGEST_PAUSE_DAYS},
            field="until",
            rule="pause_long",
        )
    with transaction.atomic():
        before = fields_of(person, ["reminders_paused_until"])
        person.reminders_paused_until = until
        person.save(update_fields=["reminders_paused_until"])
        audit_record(
            person,
            action="reminders.pause" if until else "reminders.resume",
            by=by,
            now=now,
            cooperative=cooperative,
            before=before,
            after=fields_of(person, ["reminders_paused_until"]),
        )
    return person


def ladder_set(cooperative: Cooperative, *, minutes: Mapping[str, int], by: Person, now: dt.datetime) -> Cooperative:
    """Set after how long an unanswered critical reminder is passed on, in `LADDER_FIELDS`. [min]"""
    values = {name: minutes[name] for name in LADDER_FIELDS}
    for deputy, coordinator, least, most in [
        ("deputy_after_min", "coordinator_after_min", 5, 240),
        ("deputy_after_day_min", "coordinator_after_day_min", 60, 840),
    ]:
        if not least <= values[deputy] < values[coordinator] <= most:
            raise Refusal(
                _("First the deputy, then the coordinators: between %(least)d and %(most)d minutes.")
                % {"least": least, "most": most},
                field=coordinator,
                rule="ladder_order",
            )
    with transaction.atomic():
        row = Cooperative.objects.select_for_update(of=("self",)).get(pk=cooperative.pk)
        before = fields_of(row, LADDER_FIELDS)
        if before == values:
            return row
        for name, value in values.items():
            setattr(row, name, value)
        row.save(update_fields=LADDER_FIELDS)
        audit_record(row, action="ladder.set", by=by, now=now, cooperative=row, before=before, after=values)
        tell_at_refresh(Reminder.objects.filter(cooperative=row, state=ReminderState.WANTED, tell_at__isnull=False))
    return row


def _leads(person: Person) -> dict[str, int]:
    return dict(ReminderLead.objects.filter(person=person).values_list("kind", "minutes"))
