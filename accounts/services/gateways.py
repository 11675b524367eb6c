"""The cooperative's text message gateway: set up, changed, switched off, tried out."""

import datetime as dt
import secrets

from django.db import transaction
from django.utils.translation import gettext as _

from accounts.gateway import GatewayRefused, gateway_send
from accounts.models import Cooperative, Gateway, Person
from accounts.outgoing import Forbidden, checked_addresses, target_of
from accounts.refusals import Refusal
from accounts.services.audit import audit_record

SECRET_BYTES = 32


def gateway_set(cooperative: Cooperative, *, url: str, by: Person, now: dt.datetime) -> tuple[Gateway, str]:
    """Send text messages through this address from now on. Returns the secret where one was made: it is shown once."""
    url = url.strip()
    _require_public(url)
    with transaction.atomic():
        Cooperative.objects.select_for_update(of=("self",)).get(pk=cooperative.pk)
        known = Gateway.objects.filter(cooperative=cooperative).first()
        if known is not None and known.url == url and known.is_on:
            return known, ""
        # Another address is another keeper: it never learns the secret of the one before.
        secret = secrets.token_urlsafe(SECRET_BYTES) if known is None or known.url != url else ""
        gateway = known or Gateway(cooperative=cooperative)
        before = {"url": known.url, "is_on": known.is_on} if known else {}
        gateway.url, gateway.is_on, gateway.made_at = url, True, now
        gateway.secret = secret or gateway.secret
        gateway.last_problem, gateway.last_problem_at, gateway.last_good_at = "", None, None
        gateway.save()
        _record(cooperative, "gateway.set", before=before, after={"url": url, "is_on": True}, by=by, now=now)
    return gateway, secret


def gateway_renew_secret(gateway: Gateway, *, by: Person, now: dt.datetime) -> str:
    """A new secret in place of the old one, at once. Shown once."""
    secret = secrets.token_urlsafe(SECRET_BYTES)
    with transaction.atomic():
        Gateway.objects.filter(pk=gateway.pk).update(secret=secret)
        _record(gateway.cooperative, "gateway.secret", before={}, after={}, by=by, now=now)
    return secret


def gateway_off(gateway: Gateway, *, by: Person, now: dt.datetime) -> None:
    """No more text messages. Twice is once."""
    with transaction.atomic():
        if Gateway.objects.filter(pk=gateway.pk, is_on=True).update(is_on=False):
            _record(gateway.cooperative, "gateway.off", before={"is_on": True}, after={"is_on": False}, by=by, now=now)


def gateway_tell(gateway: Gateway, *, key: str, to: str, text: str, is_urgent: bool, now: dt.datetime) -> None:
    """Send one text message, and keep how that went; raises as `gateway_send`."""
    row = Gateway.objects.filter(pk=gateway.pk)
    try:
        gateway_send(gateway, key=key, to=to, text=text, is_urgent=is_urgent, now=now)
    except (GatewayRefused, Forbidden, OSError) as error:
        row.update(last_problem=str(error)[:300], last_problem_at=now)
        raise
    row.update(last_good_at=now)


def gateway_test(gateway: Gateway, *, by: Person, now: dt.datetime) -> None:
    """A text message to whoever asks for it."""
    if not by.phone:
        raise Refusal(_("Enter your telephone number under You first: the test goes there."), rule="no_phone")
    key = f"test-{gateway.pk}-{int(now.timestamp())}"
    try:
        gateway_tell(gateway, key=key, to=by.phone, text=_("Broodtide: text messages work."), is_urgent=False, now=now)
    except (GatewayRefused, Forbidden, OSError) as error:
        raise Refusal(_("It did not work. %(problem)s") % {"problem": error}, rule="gateway_failed") from error


def gateway_of(cooperative: Cooperative) -> Gateway | None:
    return Gateway.objects.filter(cooperative=cooperative).first()


def _require_public(url: str) -> None:
    """At once, so that the coordinator learns of it now; each call looks again."""
    try:
        checked_addresses(target_of(url))
    except (Forbidden, OSError) as error:
        raise Refusal(str(error), field="url", rule="gateway_url") from None


def _record(
    cooperative: Cooperative,
    action: str,
    *,
    before: dict[str, object],
    after: dict[str, object],
    by: Person,
    now: dt.datetime,
) -> None:
    audit_record(cooperative, action=action, by=by, now=now, cooperative=cooperative, before=before, after=after)
