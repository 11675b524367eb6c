"""What a device says in an entry, read by name."""

import datetime as dt
import uuid
from decimal import Decimal, InvalidOperation
from typing import Any

from django.utils.dateparse import parse_datetime
from django.utils.translation import gettext as _

from accounts.refusals import Refusal

DECIMAL_LIMIT = 1_000_000


class Facts:
    """The facts of one entry, read by name. What cannot be read is a refusal: a person looks at the entry."""

    def __init__(self, values: Any) -> None:
        self.values: dict[str, Any] = values if isinstance(values, dict) else {}

    def number(self, name: str, *, most: int = 1_000_000_000) -> int:
        value = self.values.get(name)
        if isinstance(value, bool) or not isinstance(value, int) or not 0 <= value <= most:
            raise unreadable(name)
        return value

    def flag(self, name: str) -> bool:
        value = self.values.get(name, False)
        if not isinstance(value, bool):
            raise unreadable(name)
        return value

    def text(self, name: str, *, most: int = 160) -> str:
        value = self.values.get(name, "")
        if not isinstance(value, str) or len(value) > most or "\x00" in value:
            raise unreadable(name)
        return value

    def maybe_number(self, name: str, *, most: int = 1_000_000_000) -> int | None:
        """A whole number, also as somebody typed it; None when nothing was."""
        value = self.values.get(name)
        if isinstance(value, str):
            typed = value.strip()
            if not typed:
                return None
            value = int(typed) if typed.isascii() and typed.isdigit() and len(typed) < 10 else typed
        if value is None:
            return None
        if isinstance(value, bool) or not isinstance(value, int) or not 0 <= value <= most:
            raise unreadable(name)
        return value

    def maybe_decimal(self, name: str) -> Decimal | None:
        """A decimal as somebody typed it, comma or point; None when nothing was."""
        value = self.values.get(name)
        if value is None or value == "":
            return None
        try:
            number = Decimal(str(value).strip().replace(",", "."))
        except InvalidOperation as error:
            raise unreadable(name) from error
        if isinstance(value, bool) or not number.is_finite() or abs(number) >= DECIMAL_LIMIT:
            raise unreadable(name)
        return number

    def maybe_day(self, name: str) -> dt.date | None:
        try:
            return dt.date.fromisoformat(text) if (text := self.text(name)) else None
        except ValueError as error:
            raise unreadable(name) from error

    def maybe_time(self, name: str) -> dt.time | None:
        """A wall-clock time, without a zone."""
        try:
            time = dt.time.fromisoformat(text) if (text := self.text(name)) else None
        except ValueError as error:
            raise unreadable(name) from error
        if time is not None and time.tzinfo is not None:
            raise unreadable(name)
        return time

    def maybe_moment(self, name: str) -> dt.datetime | None:
        """A moment by the clock of the device."""
        text = self.text(name)
        moment = parse_datetime(text) if text else None
        if text and (moment is None or moment.tzinfo is None or not 1970 < moment.year < 9000):
            raise unreadable(name)
        return moment

    def pairs(self, name: str) -> list[tuple[Any, Any]]:
        """A list of twos, each still to be read."""
        rows = self.values.get(name)
        if not isinstance(rows, list) or not all(isinstance(row, list) and len(row) == 2 for row in rows):
            raise unreadable(name)
        return [(first, second) for first, second in rows]

    def id(self, name: str) -> uuid.UUID:
        try:
            return uuid.UUID(self.text(name))
        except ValueError as error:
            raise unreadable(name) from error


def unreadable(name: str) -> Refusal:
    return Refusal(
        _("The app on that device sent “%(name)s” in a way this one does not read.") % {"name": name}, rule="unreadable"
    )
