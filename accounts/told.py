"""Sentences that are kept: a message and what stands in its places, put into words when somebody reads them.

What goes to other people, or is read again later, must not be kept in the language of whoever happened to write it.
Modules that write such rows import `told as _` and `told_of as ngettext`, so that the messages are collected as they
are everywhere else:

    title=_("Second dose for %(queen)s") % {"queen": queen}

gives a `Told`; a `ToldField` keeps it, and `str()` gives it in the language of the moment. Days, moments and numbers
are handed over as they are, never as text: they too are written as the reader writes them. Rows from before hold plain
text, which is read as it stands.
"""

import datetime as dt
import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from functools import lru_cache
from typing import TYPE_CHECKING, Any, Union, cast
from zoneinfo import ZoneInfo

from django.conf import settings
from django.db import models
from django.utils.formats import date_format, number_format
from django.utils.functional import Promise
from django.utils.translation import get_language, gettext, ngettext, override

CAPITAL_NOUNS = {"de"}  # languages in which the first word inside a sentence may need its capital
FIGURE = re.compile(r"%\((\w+)\)d")
MARK = '{"msgid": '  # how a kept message begins; anything else is plain text


@dataclass(frozen=True, slots=True)
class Moment:
    """A point in time as the clock of one place shows it."""

    at: dt.datetime
    zone: str

    def __str__(self) -> str:
        local = self.at.astimezone(ZoneInfo(self.zone))
        return f"{day_text(local.date())}, {local:%H:%M}"


Part = Union[str, int, Decimal, dt.date, Moment, "Told", "Listed"]


@dataclass(frozen=True, slots=True)
class Listed:
    """Several things in a row: “Ling, Fell and Holm”; or sentences one after the other."""

    parts: tuple[Part, ...]
    are_sentences: bool = False

    def __str__(self) -> str:
        shown = [part_text(part) for part in self.parts]
        if self.are_sentences:
            return " ".join(filter(None, shown))
        if len(shown) < 2:
            return "".join(shown)
        return gettext("%(first)s and %(last)s") % {"first": ", ".join(shown[:-1]), "last": shown[-1]}


@dataclass(frozen=True, slots=True)
class Told:
    """A message, in the language of whoever reads it.

    Parameters
    ----------
    msgid, plural : in English, with places as in `%(day)s`; `plural` where the number `n` decides.
    params : what goes into the places, by name.
    is_inside : stands inside a sentence, so that it begins with a small letter.
    """

    msgid: str
    plural: str = ""
    n: int = 0
    params: tuple[tuple[str, Part], ...] = ()
    is_inside: bool = False

    def __mod__(self, params: Mapping[str, Any]) -> "Told":
        return replace(self, params=tuple((name, part_of(value)) for name, value in params.items()))

    def __str__(self) -> str:
        text = ngettext(self.msgid, self.plural, self.n) if self.plural else gettext(self.msgid)
        if self.params:
            # Numbers are written as the reader writes them, so no place is a bare figure.
            shown = {name: part_text(value) for name, value in self.params}
            text = FIGURE.sub(r"%(\1)s", text) % shown
        # “CO2” keeps its capitals, and German nouns keep theirs.
        is_lowered = self.is_inside and not text[:2].isupper() and get_language() not in CAPITAL_NOUNS
        return text[:1].lower() + text[1:] if is_lowered else text


Said = str | Told


def told(msgid: str) -> Told:
    return Told(msgid)


def told_lazy(words: str | Promise) -> Told:
    """The message of a lazy translation, as tables at the head of a module hold it."""
    with override(None):  # no language: the message itself
        return Told(str(words))


def told_of(singular: str, plural: str, n: int) -> Told:
    """A message whose form goes by the number `n`."""
    return Told(singular, plural, n)


def one_after_the_other(sentences: Sequence[Any]) -> Told:
    return _all_of(Listed(tuple(part_of(sentence) for sentence in sentences), are_sentences=True))


def and_told(names: Sequence[Any]) -> Told:
    """“Ling, Fell and Holm”, each a name or a message."""
    return _all_of(Listed(tuple(part_of(name) for name in names)))


def _all_of(listed: Listed) -> Told:
    return Told("%(all)s", params=(("all", listed),))


def part_of(value: Any) -> Part:
    """What may stand in a place: a lazy translation as its message, a model as its `told()` or its name."""
    if isinstance(value, Promise):
        return told_lazy(value)
    if hasattr(value, "told"):
        return cast(Told, value.told())
    if isinstance(value, dt.datetime):
        raise TypeError("A moment needs its zone: hand over Moment(at, zone).")
    if isinstance(value, bool | float):
        raise TypeError(f"{value!r} has no fixed way of being written: hand over a Decimal or a message.")
    if isinstance(value, str | int | Decimal | dt.date | Moment | Told | Listed):
        return value
    return str(value)


def part_text(value: Part) -> str:
    if isinstance(value, str):
        return value
    if isinstance(value, dt.date):
        return day_text(value)
    if isinstance(value, Decimal):
        return number_format(value.normalize() if value else Decimal(0))
    return number_format(value) if isinstance(value, int) else str(value)


def day_text(day: dt.date) -> str:
    """“Thu 25 June”."""
    return day_written(day, "MONTH_DAY_FORMAT")


def day_written(day: dt.date, form: str) -> str:
    """A day in the form that Django's formats name, or that is spelled out, in the language of the moment."""
    return _written(day, form, get_language())


@lru_cache(maxsize=20_000)  # a page of lines or a board holds hundreds of days, mostly the same ones
def _written(day: dt.date, form: str, language: str | None) -> str:
    return date_format(day, form)


# How it is kept.


def _plain(value: Part) -> Any:
    if isinstance(value, str | int):
        return value
    if isinstance(value, Decimal):
        return {"number": str(value)}
    if isinstance(value, dt.date):
        return {"day": value.isoformat()}
    if isinstance(value, Moment):
        return {"at": value.at.astimezone(dt.UTC).isoformat(), "zone": value.zone}
    if isinstance(value, Listed):
        return {"sentences" if value.are_sentences else "listed": [_plain(part) for part in value.parts]}
    kept: dict[str, Any] = {"msgid": value.msgid}
    if value.plural:
        kept |= {"plural": value.plural, "n": value.n}
    if value.params:
        kept["params"] = {name: _plain(part) for name, part in value.params}
    if value.is_inside:
        kept["inside"] = True
    return kept


def _part(kept: Any) -> Part:
    if isinstance(kept, str | int):
        return kept
    if "number" in kept:
        return Decimal(kept["number"])
    if "day" in kept:
        return dt.date.fromisoformat(kept["day"])
    if "zone" in kept:
        return Moment(dt.datetime.fromisoformat(kept["at"]), kept["zone"])
    for key in ("listed", "sentences"):
        if key in kept:
            return Listed(tuple(_part(part) for part in kept[key]), are_sentences=key == "sentences")
    params = tuple((name, _part(part)) for name, part in kept.get("params", {}).items())
    return Told(kept["msgid"], kept.get("plural", ""), kept.get("n", 0), params, kept.get("inside", False))


def kept_text(said: Said) -> str:
    """How a message is kept, the same whatever the language: rows are compared and named by it."""
    return said if isinstance(said, str) else json.dumps(_plain(said), ensure_ascii=False)


@lru_cache(maxsize=4096)  # the same rows are read with every look at a page, and a message does not change
def read_text(kept: str) -> str | Told:
    """The message again; plain text where it is none."""
    if not kept.startswith(MARK):
        return kept
    try:
        return _part(json.loads(kept))  # type: ignore[return-value]  # it begins as a message does
    except (ValueError, TypeError, KeyError, AttributeError, ArithmeticError):
        return kept


def in_source_language(said: Said) -> str:
    with override(settings.LANGUAGE_CODE):
        return str(said)


if TYPE_CHECKING:
    _TextField = models.TextField[Said, str | Told]
else:
    _TextField = models.TextField  # it takes no types when it runs


class ToldField(_TextField):
    """Keeps a `Told`, or plain text. Read from the database it is what was kept."""

    def from_db_value(self, value: str | None, expression: Any, connection: Any) -> str | Told | None:
        return None if value is None else read_text(value)

    def to_python(self, value: Any) -> Any:
        return read_text(value) if isinstance(value, str) else value

    def get_prep_value(self, value: Any) -> Any:
        return kept_text(value) if isinstance(value, Told) else super().get_prep_value(value)

    def value_to_string(self, obj: models.Model) -> str:
        return kept_text(self.value_from_object(obj))


class ToldListField(models.JSONField):
    """Keeps several messages in their order, each a `Told` or plain text."""

    def from_db_value(self, value: Any, expression: Any, connection: Any) -> list[str | Told] | None:
        kept = super().from_db_value(value, expression, connection)
        return None if kept is None else [read_text(one) for one in kept]

    def to_python(self, value: Any) -> Any:
        return None if value is None else [read_text(one) if isinstance(one, str) else one for one in value]

    def get_prep_value(self, value: Any) -> Any:
        return None if value is None else [kept_text(one) for one in value]

    def value_to_string(self, obj: models.Model) -> Any:
        return self.get_prep_value(self.value_from_object(obj))
