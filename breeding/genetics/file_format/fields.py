"""Strict readers of JSON values: each knows its path, refuses what does not belong there by name."""

import math
from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np

from breeding.genetics.types import Floats, InputError

# Whole numbers above this are no longer exact; squares of larger numbers leave floating-point range.
MOST_COUNTED, LARGEST = 2**53, 1e100


class Object(dict[str, Any]):
    """A JSON object that remembers a key which stood twice, so that it can be refused with its path."""

    twice: str | None = None

    @classmethod
    def of_pairs(cls, pairs: list[tuple[str, Any]]) -> "Object":
        made = cls(pairs)
        if len(made) < len(pairs):
            keys = [key for key, _ in pairs]
            made.twice = next(key for key in keys if keys.count(key) > 1)
        return made


class Field:
    """A JSON value with its path inside the file."""

    def __init__(self, value: Any, path: str = "") -> None:
        self.value = value
        self.path = path

    def refuse(self, reason: str) -> InputError:
        return InputError(self.path or "file", reason)

    def object(self, *, required: tuple[str, ...] = (), optional: tuple[str, ...] = ()) -> "Field":
        """Check that this is an object with these keys and no others."""
        for key in self._mapping():
            if key not in required and key not in optional:
                known = ", ".join((*required, *optional))
                raise self[key].refuse(f'unknown key "{key}" (known here: {known})')
        for key in required:
            if key not in self.value:
                raise self[key].refuse("is missing")
        return self

    def items(self) -> Iterator[tuple[str, "Field"]]:
        """Entries of an object whose keys are the file's own names."""
        for key in self._mapping():
            yield key, self[key]

    def _mapping(self) -> dict[str, Any]:
        if not isinstance(self.value, dict):
            raise self.refuse(f"must be an object, not {_kind(self.value)}")
        twice = getattr(self.value, "twice", None)
        if twice is not None:
            raise self[twice].refuse("stands twice in one object")
        return self.value

    def list(self) -> "list[Field]":
        if not isinstance(self.value, list):
            raise self.refuse(f"must be a list, not {_kind(self.value)}")
        return [Field(v, f"{self.path}[{i}]") for i, v in enumerate(self.value)]

    def rows(self, key: str) -> "Sequence[Field]":
        """The list below a key, empty where the key is absent."""
        return self[key].list() if key in self else []

    def names(self, key: str) -> tuple[str, ...]:
        """The distinct names below a key, none where the key is absent."""
        made: dict[str, None] = {}
        for row in self.rows(key):
            if row.text() in made:
                raise row.refuse(f'"{row.value}" stands twice')
            made[row.text()] = None
        return tuple(made)

    def maybe(self) -> str | None:
        """Text, or None where there is none."""
        return None if self.value is None else self.text()

    def __getitem__(self, key: str) -> "Field":
        value = self.value.get(key) if isinstance(self.value, dict) else None
        return Field(value, f"{self.path}.{key}" if self.path else key)

    def __contains__(self, key: str) -> bool:
        return isinstance(self.value, dict) and key in self.value

    def text(self) -> str:
        if not isinstance(self.value, str):
            raise self.refuse(f"must be text, not {_kind(self.value)}")
        if not self.value:
            raise self.refuse("must not be empty")
        try:
            self.value.encode()
        except UnicodeEncodeError:
            raise self.refuse("must not hold half a character (a lone surrogate)") from None
        return self.value

    def level(self) -> str:
        """Level of a factor: text, or a whole number read as text."""
        if isinstance(self.value, int) and not isinstance(self.value, bool):
            return str(self.value)
        return self.text()

    def number(self) -> float:
        if isinstance(self.value, bool) or not isinstance(self.value, int | float):
            raise self.refuse(f"must be a number, not {_kind(self.value)}")
        try:
            value = float(self.value)
        except OverflowError:
            value = math.inf
        if not math.isfinite(value):
            raise self.refuse("must be a finite number")
        if abs(value) > LARGEST:
            raise self.refuse(f"must be a number between -{LARGEST:g} and {LARGEST:g}; choose another unit")
        return value

    def not_negative(self) -> float:
        value = self.number()
        if value < 0:
            raise self.refuse(f"must not be below 0, as {value:g} is")
        return value

    def positive(self) -> float:
        value = self.number()
        if value <= 0:
            raise self.refuse(f"must be above 0, not {value:g}")
        return value

    def count(self, *, most: int = MOST_COUNTED) -> int:
        """A whole number from 1 on."""
        value = self.number()
        if value != int(value):
            raise self.refuse(f"must be a whole number, not {value:g}")
        if value < 1:
            raise self.refuse(f"must be at least 1, not {int(value)}")
        if value > most:
            raise self.refuse(f"must be at most {most}, not {value:.17g}")
        return int(value)

    def count_or_many(self, *, most: int = MOST_COUNTED) -> int | None:
        """A whole number from 1 on, or null for very many."""
        return None if self.value is None else self.count(most=most)

    def flag(self) -> bool:
        if not isinstance(self.value, bool):
            raise self.refuse(f"must be true or false, not {_kind(self.value)}")
        return self.value

    def choice(self, *allowed: str) -> str:
        value = self.text()
        if value not in allowed:
            raise self.refuse(f'unknown value "{value}" (known here: {", ".join(allowed)})')
        return value

    def matrix(self, size: int) -> Floats:
        rows = self.list()
        if len(rows) != size:
            raise self.refuse(f"must have {size} rows, not {len(rows)}")
        made = np.empty((size, size))
        for i, row in enumerate(rows):
            cells = row.list()
            if len(cells) != size:
                raise row.refuse(f"must have {size} numbers, not {len(cells)}")
            made[i] = [cell.number() for cell in cells]
        return made


def _kind(value: Any) -> str:
    match value:
        case None:
            return "null"
        case bool():
            return "true or false"
        case int() | float():
            return "a number"
        case str():
            return "text"
        case list():
            return "a list"
    return "an object"
