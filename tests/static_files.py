"""WhiteNoise reads the static files once for all tests, as it does once in a process that serves.

Each client of Django's for tests builds the middleware anew, which looked at every static file again: with some
hundreds of them two thirds of the time of most tests that ask for a page.
"""

import functools
from collections.abc import Callable
from typing import Any

from django.conf import settings
from whitenoise.middleware import WhiteNoiseMiddleware


def static_files_read_once() -> None:
    WhiteNoiseMiddleware.add_files = _once(WhiteNoiseMiddleware.add_files)
    WhiteNoiseMiddleware.add_files_from_finders = _once(WhiteNoiseMiddleware.add_files_from_finders)


def _once(reading: Callable[..., None]) -> Callable[..., None]:
    """What it found is kept by what it depends on: where it looks, and what makes the addresses."""
    found: dict[Any, dict[str, Any]] = {}

    @functools.wraps(reading)
    def from_memory(self: Any, *where: str, **prefix: str) -> None:
        key = (where, *prefix.values(), self.static_prefix, settings.STORAGES["staticfiles"]["BACKEND"])
        if key not in found:
            before, self.files = self.files, {}
            reading(self, *where, **prefix)
            found[key], self.files = self.files, before
        self.files.update(found[key])

    return from_memory
