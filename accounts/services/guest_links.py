"""Links by which somebody without a sign-in reads one card: made, ended, found again by what stands in them."""

import datetime as dt
import hashlib
import secrets

from django.db import transaction
from django.db.models import Model
from django.utils.translation import gettext as _

from accounts.models import Cooperative, GuestLink, Person
from accounts.queries.guest_links import guest_links_of
from accounts.refusals import Refusal
from accounts.services.audit import audit_record
from accounts.services.checks import checked_name

TOKEN_BYTES = 32
MOST_LINKS = 20
USE_NOTED = dt.timedelta(minutes=5)


def guest_link_make(
    thing: Model, *, name: str, days: int, cooperative: Cooperative, by: Person, now: dt.datetime
) -> tuple[GuestLink, str]:
    """Returns what stands in the link, which nobody sees again."""
    name = checked_name(name, longest=80)
    token = secrets.token_urlsafe(TOKEN_BYTES)
    with transaction.atomic():
        type(thing)._base_manager.select_for_update().get(pk=thing.pk)
        if guest_links_of(thing).filter(expires_at__gt=now).count() >= MOST_LINKS:
            raise Refusal(
                _("There are %(n)d links to this card already. End one that is not needed any more.")
                % {"n": MOST_LINKS},
                rule="guest_links",
            )
        link = GuestLink.objects.create(
            cooperative=cooperative,
            subject_type=thing._meta.label_lower,
            subject_id=thing.pk,
            name=name,
            token_hash=_hash(token),
            made_by=by,
            made_at=now,
            expires_at=now + dt.timedelta(days=days),
        )
        audit_record(
            thing, action="guest_link.make", by=by, now=now, cooperative=cooperative, after={"name": name, "days": days}
        )
    return link, token


def guest_link_end(link: GuestLink, *, thing: Model, by: Person, now: dt.datetime) -> None:
    """It leads nowhere from this moment on. Ending twice is once."""
    with transaction.atomic():
        row = GuestLink.objects.select_for_update(of=("self",)).get(pk=link.pk)
        if row.ended_at is not None:
            return
        row.ended_at = now
        row.save(update_fields=["ended_at"])
        here = row.cooperative
        audit_record(thing, action="guest_link.end", by=by, now=now, cooperative=here, before={"name": row.name})


def guest_link_of(token: str, *, subject_type: str, now: dt.datetime) -> GuestLink | None:
    """The link, while it works; that it was used is noted now and then."""
    rows = GuestLink.objects.filter(token_hash=_hash(token), subject_type=subject_type, ended_at=None)
    link = rows.select_related("cooperative").filter(expires_at__gt=now).first()
    if link is not None and (link.last_used_at is None or link.last_used_at < now - USE_NOTED):
        GuestLink.objects.filter(pk=link.pk).update(last_used_at=now)
    return link


def _hash(token: str) -> str:
    """The token is random enough that a plain digest gives nothing away."""
    return hashlib.sha256(token.encode()).hexdigest()
