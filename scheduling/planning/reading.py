"""Strict reading of JSON objects: every refusal names the place in the file."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator
from typing import Any, NoReturn


class FileError(ValueError):
    """A file that cannot be used, with the place and what is so.

    Parameters
    ----------
    path : str
        Place inside the file, such as ``bookings[3].queens``; empty for the whole file.
    text : str
        What is so and what it should be, as a sentence part.
    """

    def __init__(self, path: str, text: str) -> None:
        self.path = path
        self.text = text
        super().__init__(f"{path or 'file'}: {text}")


def json_from_text(text: str) -> Any:
    """Parse JSON, refusing doubled keys, NaN and infinities, which JSON libraries let through.

    Parameters
    ----------
    text : str
        The file's text.

    Returns
    -------
    Any
        What the file holds.

    Raises
    ------
    FileError
        When the text is no JSON.
    """
    try:
        return json.loads(text, object_pairs_hook=_unique, parse_constant=_no_constant)
    except json.JSONDecodeError as error:
        raise FileError("", f"not JSON: {error.msg} in line {error.lineno}") from error
    except RecursionError as error:
        raise FileError("", "nested too deeply") from error


class Fields:
    """One JSON object being read: each key is taken once, and what is left over is refused.

    Parameters
    ----------
    value : Any
        The parsed object.
    path : str
        Its place inside the file.
    """

    def __init__(self, value: Any, path: str = "") -> None:
        if not isinstance(value, dict):
            raise FileError(path, f"must be an object, not {_kind(value)}")
        self._left: dict[str, Any] = dict(value)
        self.path = path

    def at(self, key: str) -> str:
        return f"{self.path}.{key}" if self.path else key

    def refuse(self, key: str, text: str) -> NoReturn:
        raise FileError(self.at(key), text)

    def has(self, key: str) -> bool:
        return key in self._left

    def take(self, key: str) -> Any:
        if key not in self._left:
            self.refuse(key, "is missing")
        return self._left.pop(key)

    def whole(self, key: str, *, low: int | None = None, high: int | None = None) -> int:
        return whole_number(self.take(key), self.at(key), low=low, high=high)

    def whole_or(self, key: str, default: int, *, low: int | None = None, high: int | None = None) -> int:
        return self.whole(key, low=low, high=high) if self.has(key) else default

    def real(self, key: str, *, low: float | None = None, high: float | None = None) -> float:
        return real_number(self.take(key), self.at(key), low=low, high=high)

    def real_or_none(self, key: str, *, low: float | None = None, high: float | None = None) -> float | None:
        return self.real(key, low=low, high=high) if self.has(key) else None

    def text(self, key: str) -> str:
        value = self.take(key)
        if not isinstance(value, str):
            self.refuse(key, f"must be a text, not {_kind(value)}")
        return str(value)

    def name(self, key: str) -> str:
        value = self.text(key)
        if not value:
            self.refuse(key, "must not be empty")
        return value

    def items(self, key: str, *, optional: bool = False) -> Iterator[tuple[str, Any]]:
        """Yield each entry of a list with its place."""
        if optional and not self.has(key):
            return
        value = self.take(key)
        if not isinstance(value, list):
            self.refuse(key, f"must be a list, not {_kind(value)}")
        for position, entry in enumerate(value):
            yield f"{self.at(key)}[{position}]", entry

    def names(self, key: str) -> tuple[str, ...]:
        """Take a list of texts without repetition."""
        seen: list[str] = []
        for path, entry in self.items(key):
            if not isinstance(entry, str):
                raise FileError(path, f"must be a text, not {_kind(entry)}")
            if entry in seen:
                raise FileError(path, f"{entry!r} is listed twice")
            seen.append(entry)
        return tuple(seen)

    def objects(self, key: str, *, optional: bool = False) -> Iterator[Fields]:
        for path, entry in self.items(key, optional=optional):
            yield Fields(entry, path)

    def done(self) -> None:
        """Refuse whatever has not been taken."""
        for key in self._left:
            self.refuse(key, "is not a known key")


def whole_number(value: Any, path: str, *, low: int | None = None, high: int | None = None) -> int:
    """Return value as an integer or refuse it."""
    if isinstance(value, bool) or not isinstance(value, int):
        raise FileError(path, f"must be a whole number, not {_kind(value)}")
    _within(value, path, low, high)
    return value


def real_number(value: Any, path: str, *, low: float | None = None, high: float | None = None) -> float:
    """Return value as a finite float or refuse it."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise FileError(path, f"must be a number, not {_kind(value)}")
    try:
        number = float(value)
    except OverflowError:
        number = math.inf
    if not math.isfinite(number):
        raise FileError(path, "must be a finite number")
    _within(number, path, low, high)
    return number


def _within(value: float, path: str, low: float | None, high: float | None) -> None:
    if low is not None and value < low:
        raise FileError(path, f"is {value}, must be at least {low}")
    if high is not None and value > high:
        raise FileError(path, f"is {value}, must be at most {high}")


def _kind(value: Any) -> str:
    if value is None:
        return "null"
    if isinstance(value, bool):
        return "true or false"
    if isinstance(value, int | float):
        return f"the number {value}"
    if isinstance(value, str):
        return f"the text {value[:40]!r}"
    return "a list" if isinstance(value, list) else "an object"


def _unique(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for key, value in pairs:
        if key in found:
            raise FileError(key, "appears twice in one object")
        found[key] = value
    return found


def _no_constant(text: str) -> NoReturn:
    raise FileError("", f"{text} is no JSON number")
