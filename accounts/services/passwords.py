"""Passwords: changed by their owner, set anew by a link that works once and for an hour."""

import datetime as dt

from django.contrib.auth.tokens import default_token_generator
from django.db import transaction
from django.utils.encoding import force_bytes
from django.utils.http import urlsafe_base64_encode
from django.utils.translation import gettext as _

from accounts.languages import speaking_to
from accounts.models import Cooperative, Person
from accounts.refusals import Refusal
from accounts.services.audit import audit_record
from accounts.services.checks import check_password_strength
from accounts.services.mails import mail_send, site_address
from accounts.services.slowdown import Bucket, slowdown_forget, slowdown_take

MAILS_FREE = 3


def password_change(
    person: Person, *, current: str, password: str, cooperative: Cooperative | None, now: dt.datetime
) -> Person:
    """The owner's own change. Ends the person's other sessions, since those carry a digest of the password."""
    password_confirm(person, current, now=now)
    check_password_strength(password, person, field="password")
    return _password_write(person, password, action="password.change", cooperative=cooperative, now=now)


def password_confirm(person: Person, current: str, *, now: dt.datetime) -> None:
    """Refuse unless this is the person's password; guesses are slowed down here too."""
    bucket = Bucket("confirm", str(person.pk), free_tries=5)
    if seconds := slowdown_take([bucket], now=now):
        raise Refusal(
            _("Too many tries. Try again in %(n)d seconds.") % {"n": seconds}, field="current", rule="slowed_down"
        )
    if not person.check_password(current):
        raise Refusal(_("This is not your password of now. Capitals count."), field="current", rule="password_wrong")
    slowdown_forget(bucket)


def password_set(person: Person, *, password: str, now: dt.datetime) -> Person:
    """A new password by a link: the link stops working with it."""
    check_password_strength(password, person, field="password")
    return _password_write(person, password, action="password.set", cooperative=None, now=now)


def password_link(person: Person) -> str:
    """The address at which this person, and nobody else, sets a password: once, within an hour."""
    uid = urlsafe_base64_encode(force_bytes(person.pk))
    return site_address("accounts:password_new", uid, default_token_generator.make_token(person))


def password_link_ask(email: str, *, now: dt.datetime, address: str) -> None:
    """Mail a link to the owner of this address, if there is one. The caller learns nothing of it."""
    buckets = [Bucket("link", email.strip(), MAILS_FREE), Bucket("link-address", address, 20)]
    if slowdown_take(buckets, now=now):
        return
    person = Person.objects.filter(email__iexact=email.strip(), is_active=True).first()
    if person is not None:
        with speaking_to(person):
            mail_send(
                "new_password",
                to=person.email,
                subject=_("A new password for Broodtide"),
                context={"person": person, "link": password_link(person)},
            )


def _password_write(
    person: Person, password: str, *, action: str, cooperative: Cooperative | None, now: dt.datetime
) -> Person:
    with transaction.atomic():
        person = Person.objects.select_for_update(of=("self",)).get(pk=person.pk)
        person.set_password(password)
        person.save(update_fields=["password"])
        audit_record(person, action=action, by=person, now=now, cooperative=cooperative)
    return person
