"""Sending what webhooks are told. Rows are the truth; this may run in any number of copies, and die anywhere.

One row at a time: taken under a lease, sent outside any transaction, written down where it is still ours. Whoever dies
in between leaves a row whose lease runs out and that is sent again under the same id. A webhook that fails rests,
longer each time, so that one that hangs costs a sweep one call and hardly holds up the others. Reminders are told
elsewhere: by another queue, or on one machine beside this in the same process (`run_ticker`).
"""

import datetime as dt
import logging
import time
import uuid
from dataclasses import dataclass

from django.conf import settings
from django.db import transaction
from django.db.models import F, Q
from django.utils.module_loading import import_string

from accounts import outgoing
from accounts.models import Webhook, WebhookDelivery, WebhookState
from accounts.services.audit import audit_record
from accounts.webhooks import headers_of

log = logging.getLogger(__name__)

LEASE = dt.timedelta(seconds=60)
HOUR = dt.timedelta(hours=1)
PAUSES = [dt.timedelta(seconds=s) for s in (30, 120, 600, 1800)] + [n * HOUR for n in (1, 2, 4, 8, 12, 24, 24)]
FIRST_REST, LONGEST_REST = dt.timedelta(seconds=30), dt.timedelta(minutes=10)
OFF_AFTER = dt.timedelta(days=3)
KEPT_FOR = dt.timedelta(days=30)
GONE = 410
AT_MOST = 100  # a sweep
SECONDS = 2.0  # no new call is begun after that long
DROPPED_AT_ONCE = 500


@dataclass(frozen=True)
class Came:
    """What came of a call."""

    status: int | None = None
    problem: str = ""


def webhooks_deliver(*, now: dt.datetime, seconds: float = SECONDS) -> int:
    """Send what is due; returns how many calls were made."""
    began, calls = time.monotonic(), 0
    _drop_old(now)
    while calls < AT_MOST and (passed := time.monotonic() - began) < seconds:
        moment = now + dt.timedelta(seconds=passed)
        row = _claim(moment)
        if row is None:
            break
        delivery_send(row, now=moment)
        calls += 1
    return calls


def delivery_send(row: WebhookDelivery, *, now: dt.datetime) -> Came:
    """One try of a row that is claimed."""
    came = _call(row, now)
    with transaction.atomic():
        webhook = (
            Webhook.objects.select_for_update(of=("self",))
            .select_related("cooperative", "made_by")
            .get(pk=row.webhook_id)
        )
        ours = WebhookDelivery.objects.filter(pk=row.pk, claim=row.claim, state=WebhookState.SENDING)
        told = {
            "answered": came.status,
            "problem": came.problem[:300],
            "tried_at": now,
            "claim": None,
            "lease_until": None,
        }
        if not came.problem:
            ours.update(state=WebhookState.SENT, sent_at=now, **told)
            webhook.failures, webhook.failing_since, webhook.rest_until = 0, None, None
            webhook.last_good_at, webhook.last_problem = now, ""
        else:
            log.warning("webhook %s: %s", webhook.pk, came.problem)
            if row.attempts > len(PAUSES):
                ours.update(state=WebhookState.GIVEN_UP, **told)
            else:
                ours.update(state=WebhookState.WAITING, next_try_at=now + PAUSES[row.attempts - 1], **told)
            _failed(webhook, came, now)
        webhook.save(update_fields=["failures", "failing_since", "rest_until", "last_good_at", "last_problem", "is_on"])
    return came


def claimed(row: WebhookDelivery, *, now: dt.datetime) -> WebhookDelivery | None:
    """Take a lease on this one; None when somebody sends it just now."""
    free = Q(state__in=[WebhookState.WAITING, WebhookState.SENT, WebhookState.GIVEN_UP]) | Q(lease_until__lt=now)
    token = uuid.uuid4()
    taken = WebhookDelivery.objects.filter(free, pk=row.pk).update(
        state=WebhookState.SENDING, claim=token, lease_until=now + LEASE, attempts=F("attempts") + 1
    )
    return WebhookDelivery.objects.select_related("webhook").get(pk=row.pk) if taken else None


def _claim(now: dt.datetime) -> WebhookDelivery | None:
    due = Q(state=WebhookState.WAITING, next_try_at__lte=now) | Q(state=WebhookState.SENDING, lease_until__lt=now)
    rested = Q(webhook__rest_until=None) | Q(webhook__rest_until__lte=now)
    with transaction.atomic():
        rows = WebhookDelivery.objects.select_for_update(skip_locked=True, of=("self",)).filter(due, rested)
        row = rows.filter(webhook__is_on=True, webhook__ended_at=None).order_by("next_try_at", "pk").first()
        return claimed(row, now=now) if row is not None else None


def _call(row: WebhookDelivery, now: dt.datetime) -> Came:
    webhook, body = row.webhook, row.body.encode()
    keys = [webhook.secret]
    if webhook.old_secret and webhook.old_secret_until is not None and webhook.old_secret_until > now:
        keys.append(webhook.old_secret)
    try:
        answer = outgoing.post(webhook.url, body=body, headers=headers_of(str(row.key), body, secrets=keys, now=now))
    except (outgoing.Forbidden, OSError) as error:
        return Came(problem=str(error))
    return Came(answer.status, "" if answer.is_good else f"The answer was {answer.status}.")


def _failed(webhook: Webhook, came: Came, now: dt.datetime) -> None:
    """It rests; after days of nothing else, or when it says that it is gone, it is switched off and that is told."""
    webhook.failures += 1
    webhook.failing_since = webhook.failing_since or now
    webhook.rest_until = now + min(FIRST_REST * 2 ** min(webhook.failures - 1, 10), LONGEST_REST)
    webhook.last_problem = came.problem[:300]
    if webhook.is_on and (came.status == GONE or now - webhook.failing_since >= OFF_AFTER):
        webhook.is_on = False
        here = webhook.cooperative
        audit_record(
            webhook, action="webhook.off", by=None, now=now, cooperative=here,
            before={"is_on": True}, after={"is_on": False}, note=webhook.last_problem,
        )  # fmt: skip
        import_string(settings.WEBHOOK_OFF)(webhook, now=now)


def _drop_old(now: dt.datetime) -> None:
    old = WebhookDelivery.objects.filter(made_at__lt=now - KEPT_FOR).order_by("made_at").values("pk")
    pks = [row["pk"] for row in old[:DROPPED_AT_ONCE]]
    if pks:
        WebhookDelivery.objects.filter(pk__in=pks).delete()
