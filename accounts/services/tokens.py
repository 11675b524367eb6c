"""Keys for programs: made by a person for themselves, shown once, ended at any time."""

import datetime as dt
import hashlib
import secrets
from collections.abc import Collection

from django.db import transaction
from django.db.models import QuerySet
from django.utils.translation import gettext as _

from accounts.access import Viewer, viewer_of
from accounts.models import ApiToken, Person, Scope
from accounts.queries.often import asked_often
from accounts.refusals import Refusal
from accounts.services.audit import audit_record
from accounts.services.checks import checked_name

PREFIX = "bt_"  # so that scanners for leaked keys can tell what one is
TOKEN_BYTES = 32
MOST_TOKENS = 20
USE_NOTED = dt.timedelta(minutes=5)


def token_make(
    viewer: Viewer, *, name: str, scopes: Collection[str], days: int | None, now: dt.datetime
) -> tuple[ApiToken, str]:
    """Make a key that works for `days` days, or until it is ended. Returns the key, which nobody sees again."""
    name = checked_name(name, longest=80)
    wanted = [scope for scope in Scope.values if scope in set(scopes)]
    if not wanted or len(wanted) != len(set(scopes)):
        raise Refusal(_("Choose at least one thing that the program may do."), field="scopes", rule="scopes")
    key = PREFIX + secrets.token_urlsafe(TOKEN_BYTES)
    with transaction.atomic():
        Person.objects.select_for_update(of=("self",)).get(pk=viewer.person.pk)
        if ApiToken.objects.filter(person=viewer.person, ended_at=None).count() >= MOST_TOKENS:
            raise Refusal(
                _("You have %(n)d keys already. End one that is not used any more.") % {"n": MOST_TOKENS}, rule="tokens"
            )
        token = ApiToken.objects.create(
            person=viewer.person,
            cooperative=viewer.cooperative,
            name=name,
            scopes=wanted,
            token_hash=_hash(key),
            begins=key[:9],
            made_at=now,
            expires_at=now + dt.timedelta(days=days) if days else None,
        )
        _record(token, "token.make", now=now)
    return token, key


def token_end(token: ApiToken, *, now: dt.datetime) -> ApiToken:
    """The key works no more, at once. Ending twice is once."""
    with transaction.atomic():
        row = ApiToken.objects.select_for_update(of=("self",)).get(pk=token.pk)
        if row.ended_at is None:
            row.ended_at = now
            row.save(update_fields=["ended_at"])
            _record(row, "token.end", now=now)
    return row


def token_of_key(key: str, *, now: dt.datetime) -> tuple[ApiToken, Viewer | None] | None:
    """Whose key it is, if it works; the viewer is None when the person left the key's cooperative."""
    token = next(iter(_not_ended(_hash(key))), None)
    if token is None or (token.expires_at is not None and token.expires_at <= now):
        return None
    if token.last_used_at is None or token.last_used_at < now - USE_NOTED:
        ApiToken.objects.filter(pk=token.pk).update(last_used_at=now)
    viewer = viewer_of(token.person, token.cooperative_id, read=token.cooperative)
    return token, viewer if viewer and viewer.cooperative.pk == token.cooperative_id else None


@asked_often
def _not_ended(token_hash: str) -> QuerySet[ApiToken, ApiToken]:
    tokens = ApiToken.objects.filter(token_hash=token_hash, ended_at=None, person__is_active=True)
    return tokens.select_related("person", "cooperative").order_by()


def _hash(key: str) -> str:
    """The key is random enough that a plain digest gives nothing away."""
    return hashlib.sha256(key.encode()).hexdigest()


def _record(token: ApiToken, action: str, *, now: dt.datetime) -> None:
    audit_record(
        token.person,
        action=action,
        by=token.person,
        now=now,
        cooperative=token.cooperative,
        after={"name": token.name, "begins": token.begins, "scopes": token.scopes},
    )
