"""The other end of web push: a browser's keys, and what it makes of a message."""

import json
from dataclasses import dataclass, field
from typing import Any

import http_ece
from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric import ec

from accounts.push import base64url

AUTH = bytes(range(16))


@dataclass
class Browser:
    key: ec.EllipticCurvePrivateKey = field(default_factory=lambda: ec.generate_private_key(ec.SECP256R1()))

    @property
    def keys(self) -> dict[str, str]:
        point = self.key.public_key().public_bytes(
            serialization.Encoding.X962, serialization.PublicFormat.UncompressedPoint
        )
        return {"p256dh": base64url(point), "auth": base64url(AUTH)}

    def read(self, body: bytes) -> Any:
        """Decrypt as RFC 8291 has it."""
        return json.loads(http_ece.decrypt(body, private_key=self.key, auth_secret=AUTH, version="aes128gcm"))
