"""Typed readers of environment variables: nonsense is refused at start, with what to do."""

import os
from pathlib import Path

from django.core.exceptions import ImproperlyConfigured


def env_text(name: str, default: str | None = None) -> str:
    """The variable, or the content of the file that NAME_FILE points to (for secrets)."""
    file = os.environ.get(f"{name}_FILE")
    if file:
        try:
            return Path(file).read_text(encoding="utf-8").strip()
        except OSError as error:
            raise ImproperlyConfigured(f"{name}_FILE points to {file}, which cannot be read: {error}") from error
    value = os.environ.get(name, default)
    if value is None:
        raise ImproperlyConfigured(f"Set {name} (or {name}_FILE); see docs/operations.md for what it is.")
    return value


def env_bool(name: str, *, default: bool) -> bool:
    value = os.environ.get(name)
    if value is None:
        return default
    if value.lower() in {"1", "true", "yes", "on"}:
        return True
    if value.lower() in {"0", "false", "no", "off", ""}:
        return False
    raise ImproperlyConfigured(f"{name} is {value!r}; write 1 or 0.")


def env_int(name: str, *, default: int) -> int:
    value = os.environ.get(name)
    if value is None:
        return default
    try:
        return int(value)
    except ValueError as error:
        raise ImproperlyConfigured(f"{name} is {value!r}; write a whole number.") from error


def env_list(name: str, *, default: list[str]) -> list[str]:
    value = os.environ.get(name)
    if value is None:
        return default
    return [part.strip() for part in value.split(",") if part.strip()]
