"""Webhooks of a cooperative: set up, changed, switched, tried out, ended. Their secrets are shown once."""

import datetime as dt
from collections.abc import Collection
from typing import Any

from django.db import transaction
from django.utils.translation import gettext as _

from accounts.models import Cooperative, Person, Webhook, WebhookDelivery, WebhookState
from accounts.outgoing import Forbidden, checked_addresses, target_of
from accounts.refusals import Refusal
from accounts.services.audit import audit_record
from accounts.services.checks import checked_name
from accounts.services.webhook_delivery import Came, claimed, delivery_send
from accounts.services.webhook_events import delivery_of
from accounts.webhooks import EVENTS, TEST, secret_make

MOST_WEBHOOKS = 10
OLD_SECRET_FOR = dt.timedelta(hours=24)
FIELDS = ["name", "url", "events"]


def webhook_add(
    cooperative: Cooperative, *, name: str, url: str, events: Collection[str], by: Person, now: dt.datetime
) -> tuple[Webhook, str]:
    """Returns the secret, which nobody sees again."""
    given = _checked(name, url, events)
    with transaction.atomic():
        Cooperative.objects.select_for_update(of=("self",)).get(pk=cooperative.pk)
        if Webhook.objects.filter(cooperative=cooperative, ended_at=None).count() >= MOST_WEBHOOKS:
            raise Refusal(
                _("There are %(n)d webhooks already. End one that is not used any more.") % {"n": MOST_WEBHOOKS},
                rule="webhooks",
            )
        made = Webhook.objects.create(cooperative=cooperative, **given, secret=secret_make(), made_by=by, made_at=now)
        _record(made, "webhook.add", by=by, now=now, after=given)
    return made, made.secret


def webhook_change(
    webhook: Webhook, *, name: str, url: str, events: Collection[str], by: Person, now: dt.datetime
) -> tuple[Webhook, str]:
    """Another address is another keeper, who never learns the secret of the one before: then there is a new one."""
    given = _checked(name, url, events)
    with transaction.atomic():
        row = _locked(webhook)
        before = {field: getattr(row, field) for field in FIELDS}
        if before == given:
            return row, ""
        secret = secret_make() if row.url != given["url"] else ""
        if secret:
            row.secret, row.old_secret, row.old_secret_until = secret, "", None
            row.failures, row.failing_since, row.rest_until, row.last_problem = 0, None, None, ""
        for field in FIELDS:
            setattr(row, field, given[field])
        row.save()
        _record(row, "webhook.change", by=by, now=now, before=before, after=given)
    return row, secret


def webhook_renew_secret(webhook: Webhook, *, by: Person, now: dt.datetime) -> str:
    """A new secret. The old one signs beside it for a day, so that the receiver can change over in peace."""
    with transaction.atomic():
        row = _locked(webhook)
        row.old_secret, row.old_secret_until, row.secret = row.secret, now + OLD_SECRET_FOR, secret_make()
        row.save(update_fields=["secret", "old_secret", "old_secret_until"])
        _record(row, "webhook.secret", by=by, now=now)
    return row.secret


def webhook_switch(webhook: Webhook, *, on: bool, by: Person, now: dt.datetime) -> None:
    """Off: nothing is told. On: what waited goes out, and it may fail anew for days. Twice is once."""
    with transaction.atomic():
        row = _locked(webhook)
        if row.is_on == on:
            return
        row.is_on, row.failures, row.failing_since, row.rest_until = on, 0, None, None
        row.save(update_fields=["is_on", "failures", "failing_since", "rest_until"])
        action = "webhook.on" if on else "webhook.off"
        _record(row, action, by=by, now=now, before={"is_on": not on}, after={"is_on": on})


def webhook_end(webhook: Webhook, *, by: Person, now: dt.datetime) -> None:
    """For good. Twice is once."""
    with transaction.atomic():
        row = _locked(webhook)
        if row.ended_at is None:
            row.ended_at, row.is_on, row.old_secret = now, False, ""
            row.save(update_fields=["ended_at", "is_on", "old_secret"])
            _record(row, "webhook.end", by=by, now=now)


def webhook_test(webhook: Webhook, *, now: dt.datetime) -> WebhookDelivery:
    """One call at once that says only that calls come. Refused in words when it does not get through."""
    row = delivery_of(webhook, TEST, at=now, data={})
    row.save()
    _sent_now(row, now=now)
    return row


def delivery_again(row: WebhookDelivery, *, now: dt.datetime) -> WebhookDelivery:
    """The same event under the same id once more, at once."""
    _sent_now(row, now=now)
    return row


def _sent_now(row: WebhookDelivery, *, now: dt.datetime) -> None:
    mine = claimed(row, now=now)
    if mine is None:
        raise Refusal(_("It is being sent just now. Look again in a minute."), rule="webhook_sending")
    came: Came = delivery_send(mine, now=now)
    row.refresh_from_db()
    if came.problem:
        if row.event == TEST:  # whoever asked saw it fail: it is not tried again by itself
            WebhookDelivery.objects.filter(pk=row.pk).update(state=WebhookState.GIVEN_UP)
        raise Refusal(_("It did not get through. %(problem)s") % {"problem": came.problem}, rule="webhook_failed")


def _checked(name: str, url: str, events: Collection[str]) -> dict[str, Any]:
    wanted = [event for event in EVENTS if event in set(events)]
    if not wanted or len(wanted) != len(set(events)):
        raise Refusal(_("Choose at least one thing to be told of."), field="events", rule="webhook_events")
    url = url.strip()
    try:  # at once, so that whoever sets it up learns of it now; each call looks again
        checked_addresses(target_of(url))
    except (Forbidden, OSError) as error:
        raise Refusal(str(error), field="url", rule="webhook_url") from None
    return {"name": checked_name(name, longest=80), "url": url, "events": wanted}


def _locked(webhook: Webhook) -> Webhook:
    return Webhook.objects.select_for_update(of=("self",)).select_related("cooperative").get(pk=webhook.pk)


def _record(
    webhook: Webhook,
    action: str,
    *,
    by: Person,
    now: dt.datetime,
    before: dict[str, Any] | None = None,
    after: dict[str, Any] | None = None,
) -> None:
    audit_record(webhook, action=action, by=by, now=now, cooperative=webhook.cooperative, before=before, after=after)
