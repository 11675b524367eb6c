"""Events that can be told to an address outside, and how a call says that it is ours: the Standard Webhooks convention.

`webhook-id` is the same at every try of one event, `webhook-timestamp` is in seconds, `webhook-signature` holds one
`v1,<base64>` for each secret that counts: HMAC-SHA256 of `<id>.<timestamp>.<body>` under what stands behind `whsec_`.
https://www.standardwebhooks.com
"""

import base64
import datetime as dt
import hashlib
import hmac
import json
import secrets
from typing import Any

PREFIX = "whsec_"
SECRET_BYTES = 32
TEST = "test"

#: Actions of the history that can be told. What is called `x.correct` there is told as itself.
EVENTS = (
    *("queen.register", "queen.gone", "queen.merge", "mating.record", "mating.correct"),
    *("colony.requeen", "score.record", "score.correct", "evaluation.made", "cross.save"),
    *("batch.plan", "batch.graft", "batch.emerged", "source.offer", "source.hold", "cohort.count"),
    *("session.open", "session.change", "session.cancel", "session.close"),
    *("booking.ask", "booking.withdraw", "plan.publish", "offer.make", "offer.accept", "check.record"),
)
#: Where a program reads more of a thing, with a key of its own.
API_PATHS = {
    "breeding.queen": "queens",
    "breeding.colony": "colonies",
    "breeding.score": "scores",
    "breeding.evaluationrun": "evaluations",
    "breeding.plannedcross": "crosses",
    "scheduling.queenbatch": "batches",
    "scheduling.batchqueen": "batch-queens",
    "scheduling.dronesource": "sources",
    "scheduling.dronecohort": "cohorts",
    "scheduling.benchsession": "sessions",
    "scheduling.booking": "bookings",
    "scheduling.plan": "plans",
    "scheduling.offer": "offers",
}


def secret_make() -> str:
    return PREFIX + base64.b64encode(secrets.token_bytes(SECRET_BYTES)).decode()


def body_of(event: str, *, at: dt.datetime, data: dict[str, Any]) -> str:
    return json.dumps({"type": event, "timestamp": at.astimezone(dt.UTC).isoformat(), "data": data}, ensure_ascii=False)


def headers_of(key: str, body: bytes, *, secrets: list[str], now: dt.datetime) -> dict[str, str]:
    """`secrets` : the one that counts, and the one before as long as it still does."""
    seconds = int(now.timestamp())
    return {
        "Content-Type": "application/json; charset=utf-8",
        "User-Agent": "Broodtide",
        "webhook-id": key,
        "webhook-timestamp": str(seconds),
        "webhook-signature": " ".join(signature(secret, key, seconds, body) for secret in secrets),
    }


def signature(secret: str, key: str, seconds: int, body: bytes) -> str:
    known = base64.b64decode(secret.removeprefix(PREFIX))
    digest = hmac.new(known, f"{key}.{seconds}.".encode() + body, hashlib.sha256).digest()
    return f"v1,{base64.b64encode(digest).decode()}"
