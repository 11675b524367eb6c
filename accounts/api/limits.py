"""How many requests a key, or a person's browser, may make. Counted in each web process."""

from typing import Any

from django.conf import settings
from rest_framework.request import Request
from rest_framework.throttling import SimpleRateThrottle

from accounts.models import ApiToken


class PerKey(SimpleRateThrottle):
    scope = "api"

    def get_rate(self) -> str:
        return f"{settings.API_REQUESTS_A_MINUTE}/min"

    def get_cache_key(self, request: Request, view: Any) -> str:
        if isinstance(request.auth, ApiToken):
            return f"api:key:{request.auth.pk}"
        return f"api:person:{request.user.pk}"
