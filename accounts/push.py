"""Web push: one message to one browser, through the push service that the browser chose.

The message is encrypted for the browser (RFC 8291) and signed as ours (VAPID, RFC 8292); the push service sees
neither words nor whom it concerns, and its address is called under the rules of `accounts.outgoing`.
"""

import base64
import binascii
import datetime as dt
import json
from email.utils import parseaddr
from urllib.parse import urlsplit

import http_ece
from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric import ec
from django.conf import settings
from py_vapid import Vapid02

from accounts import outgoing
from accounts.models import PushDevice

POINT_BYTES, AUTH_BYTES, KEY_BYTES = 65, 16, 32
SIGNED_FOR = dt.timedelta(hours=12)
TOPIC_LETTERS = 32  # RFC 8030, section 5.4
LONGEST_TTL_SECONDS = 28 * 24 * 3600  # push services cut off what is longer
GONE = (404, 410)


class PushGone(Exception):  # noqa: N818 - an answer: this browser takes messages no more
    """The push service knows this browser no more."""


class PushRefused(Exception):  # noqa: N818 - an answer that stays the same
    """The push service will not take this message."""


def new_key() -> str:
    """A fresh private key of this installation, as it stands in its settings."""
    number = ec.generate_private_key(ec.SECP256R1()).private_numbers().private_value
    return base64url(number.to_bytes(KEY_BYTES, "big"))


def is_set_up() -> bool:
    return bool(settings.PUSH_KEY)


def public_key() -> str:
    """What browsers are told: who may send to them."""
    point = Vapid02.from_raw(settings.PUSH_KEY.encode()).public_key.public_bytes(
        serialization.Encoding.X962, serialization.PublicFormat.UncompressedPoint
    )
    return base64url(point)


def push_send(
    device: PushDevice, *, words: dict[str, str], topic: str, ttl_seconds: int, is_urgent: bool, now: dt.datetime
) -> None:
    """Hand one message to the browser's push service.

    topic : a later message with the same topic replaces an earlier one that was not delivered yet.
    ttl_seconds : after this long it is of no use and is dropped.

    Raises
    ------
    PushGone, PushRefused, outgoing.Forbidden, OSError
    """
    if not is_set_up():
        raise PushRefused("Messages to devices are not set up here (manage.py push_keys).")
    answer = outgoing.post(
        device.endpoint,
        body=_encrypted(device, json.dumps(words).encode()),
        headers={
            **_signature(device.endpoint, now),
            "Content-Type": "application/octet-stream",
            "Content-Encoding": "aes128gcm",
            "TTL": str(max(0, min(ttl_seconds, LONGEST_TTL_SECONDS))),
            "Topic": topic[:TOPIC_LETTERS],
            "Urgency": "high" if is_urgent else "normal",
        },
    )
    if answer.status in GONE:
        raise PushGone(f"The push service answered {answer.status}: this device takes no more messages.")
    if answer.status in (400, 401, 403, 413):
        raise PushRefused(f"The push service refused the message with {answer.status}.")
    if not answer.is_good:
        raise OSError(f"The push service answered {answer.status}.")


def checked_keys(p256dh: str, auth: str) -> bool:
    """Whether a browser's keys are what RFC 8291 says: a point of the curve, and 16 bytes."""
    try:
        point, secret = from_base64url(p256dh), from_base64url(auth)
        ec.EllipticCurvePublicKey.from_encoded_point(ec.SECP256R1(), point)
    except (ValueError, binascii.Error):
        return False
    return len(point) == POINT_BYTES and len(secret) == AUTH_BYTES


def base64url(data: bytes) -> str:
    return base64.urlsafe_b64encode(data).rstrip(b"=").decode()


def from_base64url(text: str) -> bytes:
    return base64.b64decode(text + "=" * (-len(text) % 4), altchars="-_", validate=True)


def _encrypted(device: PushDevice, content: bytes) -> bytes:
    once = ec.generate_private_key(ec.SECP256R1())
    return bytes(
        http_ece.encrypt(
            content,
            private_key=once,
            dh=from_base64url(device.p256dh),
            auth_secret=from_base64url(device.auth),
            version="aes128gcm",
        )
    )


def _signature(endpoint: str, now: dt.datetime) -> dict[str, str]:
    parts = urlsplit(endpoint)
    claims = {
        "aud": f"{parts.scheme}://{parts.netloc}",
        "sub": f"mailto:{parseaddr(settings.DEFAULT_FROM_EMAIL)[1]}",
        "exp": int((now + SIGNED_FOR).timestamp()),
    }
    return dict(Vapid02.from_raw(settings.PUSH_KEY.encode()).sign(claims))
