"""Addresses of endpoints, each with a name: `queens`, `queen-gone` and so on."""

from collections.abc import Mapping
from typing import Any

from django.urls import URLPattern
from rest_framework.routers import SimpleRouter


def routes(endpoints: Mapping[str, type[Any]]) -> list[URLPattern]:
    """The list at `prefix/`, one thing at `prefix/1/`, what is done to it at `prefix/1/act/`."""
    router = SimpleRouter(use_regex_path=False)
    for prefix, endpoint in endpoints.items():
        router.register(prefix, endpoint, basename=prefix)
    return list(router.urls)  # type: ignore[arg-type]
