"""Forgetting a person: what says who they are goes, what they did stays, as done by a former person.

Others descend from what somebody entered, so rows that name them keep pointing at one row, which has neither name nor
address nor telephone any more. The history is written once and never edited but for this: names and addresses in it
are struck out too. It cannot be undone.
"""

import datetime as dt
from typing import Any

from allauth.mfa.models import Authenticator
from django.conf import settings
from django.contrib.admin.models import LogEntry
from django.db import transaction
from django.db.models import Q
from django.utils.module_loading import import_string
from django.utils.translation import gettext as _

from accounts.models import AuditEntry, Cooperative, KeptMail, Member, Person, PushDevice, Role
from accounts.queries.people import cooperatives_of
from accounts.refusals import Refusal
from accounts.services.audit import audit_record
from accounts.services.passwords import password_confirm
from accounts.services.people import belongs_elsewhere
from accounts.services.roles import refuse_last_coordinator
from accounts.services.sessions import sessions_delete

FORGOTTEN_HOST = "forgotten.invalid"  # RFC 2606: never a real address
BATCH = 500


def person_forget(person: Person, *, cooperative: Cooperative, by: Person, now: dt.datetime) -> Person:
    """The coordinator forgets somebody who belongs to this cooperative alone. Twice is once."""
    if by == person:
        raise Refusal(_("Forget yourself under You, where your password is asked for."), rule="forget_self_here")
    if belongs_elsewhere(person, cooperative):
        raise Refusal(
            _("%(person)s is known beyond this cooperative: only they can do this, under You.")
            % {"person": person.name},
            rule="forget_not_yours",
        )
    return _forget(person, cooperative=cooperative, by=by, now=now)


def person_forget_self(person: Person, *, current: str, cooperative: Cooperative, now: dt.datetime) -> Person:
    """Somebody's own wish, with their password: in every cooperative they belong to."""
    password_confirm(person, current, now=now)
    return _forget(person, cooperative=cooperative, by=person, now=now)


def is_forgotten(person: Person) -> bool:
    return person.email.endswith(f"@{FORGOTTEN_HOST}")


def _forget(person: Person, *, cooperative: Cooperative, by: Person, now: dt.datetime) -> Person:
    if person.is_staff or person.is_superuser:
        raise Refusal(
            _("%(person)s looks after the installation. Its administration takes that back first.")
            % {"person": person.name},
            rule="forget_staff",
        )
    with transaction.atomic():
        for home in cooperatives_of(person).select_for_update(of=("self",)).order_by("pk"):
            if person.role_grants.filter(cooperative=home, role=Role.COORDINATOR).exists():
                refuse_last_coordinator(person, home)
        person = Person.objects.select_for_update(of=("self",)).get(pk=person.pk)
        if is_forgotten(person):
            return person
        known = _Known(person)
        import_string(settings.PERSON_FORGOTTEN)(person, now=now)
        _end_ways(person, known)
        _blank(person)
        _strike_out(person, known)
        by = person if by == person else by  # by the name they have now
        audit_record(person, action="person.forget", by=by, now=now, cooperative=cooperative)
    return person


class _Known:
    """Whatever was ever written of who somebody is, in any cooperative."""

    def __init__(self, person: Person) -> None:
        said: dict[str, set[str]] = {"email": {person.email}, "name": {person.name}, "phone": {person.phone}}
        for entry in AuditEntry.objects.filter(subject_type=person._meta.label_lower, subject_id=person.pk):
            for values in (entry.before, entry.after):
                for field in said:
                    said[field].add(str(values.get(field) or ""))
        self.emails, self.names, self.phones = (said[field] - {""} for field in ("email", "name", "phone"))

    def struck_out(self, value: Any, instead: str) -> Any:
        """The same without them. A name goes where it is the whole value: others may bear it as a part of theirs."""
        if isinstance(value, dict):
            return {key: self.struck_out(part, instead) for key, part in value.items()}
        if isinstance(value, list):
            return [self.struck_out(part, instead) for part in value]
        if not isinstance(value, str):
            return value
        if value in self.names:
            return instead
        for secret in sorted({*self.emails, *self.phones}, key=len, reverse=True):
            value = value.replace(secret, "…")
        return value


def _end_ways(person: Person, known: _Known) -> None:
    """Nothing reaches them and nobody is signed in as them any more."""
    PushDevice.objects.filter(person=person).delete()
    person.notification_wishes.all().delete()
    person.reminder_leads.all().delete()
    person.saved_views.all().delete()
    person.api_tokens.all().delete()
    person.api_answers.all().delete()
    person.member_persons.all().delete()
    person.role_grants.all().delete()
    Member.objects.filter(deputy=person).update(deputy=None)
    to_them = Q()
    for email in known.emails:
        to_them |= Q(to__iexact=email)
    KeptMail.objects.filter(to_them).delete()
    sessions_delete(person)
    Authenticator.objects.filter(user=person).delete()


def _blank(person: Person) -> None:
    person.name = _("Former person %(number)d") % {"number": person.pk}
    person.email = f"person-{person.pk}@{FORGOTTEN_HOST}"
    person.user_name = person.phone = person.time_zone = person.language = ""
    person.summary_at = person.reminders_paused_until = person.last_login = person.second_step_asked_at = None
    person.is_active = False
    person.set_unusable_password()
    person.save()


def _strike_out(person: Person, known: _Known) -> None:
    """In the history, where others' entries name them too, and in the log of the administration."""
    AuditEntry.objects.filter(by=person).update(by_name=person.name)
    changed = []
    fields = ["before", "after", "note", "subject_name", "by_name"]
    for entry in AuditEntry.objects.only(*fields).iterator(chunk_size=BATCH):
        new = {field: known.struck_out(getattr(entry, field), person.name) for field in fields}
        if any(getattr(entry, field) != value for field, value in new.items()):
            vars(entry).update(new)
            changed.append(entry)
    AuditEntry.objects.bulk_update(changed, fields, batch_size=BATCH)
    about = LogEntry.objects.filter(content_type__app_label="accounts", content_type__model="person")
    about.filter(object_id=str(person.pk)).update(object_repr=person.name)
