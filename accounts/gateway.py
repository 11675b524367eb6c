"""One text message through a cooperative's own gateway: a signed call to an address of its choice.

The body is JSON; `Broodtide-Signature: t=<seconds>,v1=<hex>` is HMAC-SHA256 of `<seconds>.<body>` under the shared
secret, so that the gateway can tell our calls from others' and old ones from new. `Idempotency-Key` is the same at
every try of one message.
"""

import datetime as dt
import hashlib
import hmac
import json

from accounts import outgoing
from accounts.models import Gateway


class GatewayRefused(Exception):  # noqa: N818 - an answer that stays the same
    """The gateway will not take this message."""


def gateway_send(gateway: Gateway, *, key: str, to: str, text: str, is_urgent: bool, now: dt.datetime) -> None:
    """Hand one text message over.

    Raises
    ------
    GatewayRefused, outgoing.Forbidden, OSError
    """
    body = json.dumps({"id": key, "to": to, "text": text, "urgent": is_urgent}, ensure_ascii=False).encode()
    answer = outgoing.post(
        gateway.url,
        body=body,
        headers={
            "Content-Type": "application/json; charset=utf-8",
            "Idempotency-Key": key,
            "Broodtide-Signature": signature(gateway.secret, body, now),
            "User-Agent": "Broodtide",
        },
    )
    if answer.status in (400, 404, 410, 413, 422):
        raise GatewayRefused(f"The gateway refused the message with {answer.status}.")
    if not answer.is_good:
        raise OSError(f"The gateway answered {answer.status}.")


def signature(secret: str, body: bytes, now: dt.datetime) -> str:
    seconds = int(now.timestamp())
    digest = hmac.new(secret.encode(), f"{seconds}.".encode() + body, hashlib.sha256).hexdigest()
    return f"t={seconds},v1={digest}"
