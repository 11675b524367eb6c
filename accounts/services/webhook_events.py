"""Telling webhooks what is done: rows beside the row of the history, in its transaction. Nothing is sent from here."""

import datetime as dt
import uuid
from typing import Any

from django.conf import settings
from django.db.models import QuerySet

from accounts.models import AuditEntry, Webhook, WebhookDelivery
from accounts.queries.often import asked_often
from accounts.webhooks import API_PATHS, EVENTS, body_of

KNOWN = frozenset(EVENTS)


def webhooks_tell(entry: AuditEntry) -> None:
    """One delivery for each webhook of the cooperative that wants to hear of it."""
    if entry.action not in KNOWN or entry.cooperative_id is None:
        return
    listening = [pk for pk, events in _listening(entry.cooperative_id) if entry.action in events]
    if not listening:
        return
    rows = [
        delivery_of(webhook, entry.action, at=entry.at, data=_data(entry))
        for webhook in Webhook.objects.filter(pk__in=listening)
    ]
    WebhookDelivery.objects.bulk_create(rows)


@asked_often
def _listening(cooperative: int) -> QuerySet[Webhook, tuple[int, list[str]]]:
    on = Webhook.objects.filter(cooperative=cooperative, is_on=True, ended_at=None)
    return on.order_by().values_list("pk", "events")


def delivery_of(webhook: Webhook, event: str, *, at: dt.datetime, data: dict[str, Any]) -> WebhookDelivery:
    return WebhookDelivery(
        webhook=webhook,
        key=uuid.uuid4(),
        event=event,
        body=body_of(event, at=at, data=data),
        made_at=at,
        next_try_at=at,
    )


def _data(entry: AuditEntry) -> dict[str, Any]:
    """Which thing; not what it holds: whoever may read that asks with a key."""
    path = API_PATHS.get(entry.subject_type)
    data: dict[str, Any] = {"kind": entry.subject_type.partition(".")[2], "id": entry.subject_id}
    if path is not None:
        data["url"] = f"{settings.SITE_URL.rstrip('/')}/api/v1/{path}/{entry.subject_id}/"
    return data
