"""What allauth asks of us for the second step at sign-in: whose site it is, and how secrets are kept."""

import base64
from functools import lru_cache
from typing import Any

from allauth.core import context
from allauth.mfa.adapter import DefaultMFAAdapter
from cryptography.fernet import Fernet
from cryptography.hazmat.primitives.hashes import SHA256
from cryptography.hazmat.primitives.kdf.hkdf import HKDF
from django.conf import settings

from accounts.models import Person

SITE = "Broodtide"


class Adapter(DefaultMFAAdapter):  # type: ignore[misc]
    """Secrets of one-time codes lie encrypted in the database: a copy of it alone signs nobody in."""

    def encrypt(self, text: str) -> str:
        return _box(settings.SECRET_KEY).encrypt(text.encode()).decode()

    def decrypt(self, encrypted_text: str) -> str:
        return _box(settings.SECRET_KEY).decrypt(encrypted_text.encode()).decode()

    def get_public_key_credential_rp_entity(self) -> dict[str, str]:
        return {"id": context.request.get_host().partition(":")[0], "name": SITE}

    def get_public_key_credential_user_entity(self, user: Person) -> dict[str, Any]:
        """The handle is the person's number: a device that asks for a passkey learns no address from it."""
        return {**super().get_public_key_credential_user_entity(user), "display_name": user.name, "name": user.email}


@lru_cache(maxsize=2)
def _box(secret_key: str) -> Fernet:
    derived = HKDF(algorithm=SHA256(), length=32, salt=None, info=b"accounts.second_step").derive(secret_key.encode())
    return Fernet(base64.urlsafe_b64encode(derived))
