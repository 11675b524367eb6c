"""Sentences of the pure rooms: a message with named places, put into a reader's language by whoever shows it.

Modules import `message as _` and `message_of as ngettext`, so that `makemessages` collects every message as it does
everywhere else. `queries/words.py` renders them by gettext; `str()` gives the English of the source, for tests.
"""

import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass, replace
from decimal import Decimal
from typing import Union

Param = Union[str, int, Decimal, dt.date, "Words"]


@dataclass(frozen=True, slots=True)
class Words:
    """A message and what stands in its places.

    Parameters
    ----------
    msgid, plural : the message in English, with places as in `%(day)s`; `plural` where the number `n` decides.
    params : what goes into the places, by name; days and numbers are written as the reader writes them.
    is_inside : stands inside a sentence, so that it begins with a small letter.
    """

    msgid: str
    params: tuple[tuple[str, Param], ...] = ()
    plural: str = ""
    is_inside: bool = False

    def __str__(self) -> str:
        return rendered(self, gettext=str, ngettext=_english, day=said, number=number_text)

    def inside(self) -> "Words":
        """The same for the middle of a sentence."""
        return replace(self, is_inside=True)


def message(msgid: str, **params: Param) -> Words:
    return Words(msgid, tuple(params.items()))


def message_of(singular: str, plural: str, n: int | Decimal, **params: Param) -> Words:
    """A message whose form goes by the number `n`, which has a place of its own."""
    return Words(singular, (("n", n), *params.items()), plural)


def rendered(
    words: Words,
    *,
    gettext: Callable[[str], str],
    ngettext: Callable[[str, str, int], str],
    day: Callable[[dt.date], str],
    number: Callable[[int | Decimal], str],
) -> str:
    """Put a message into words: translated, with its places filled in, messages inside it alike."""

    def shown(value: Param) -> str:
        if isinstance(value, Words):
            return rendered(value, gettext=gettext, ngettext=ngettext, day=day, number=number)
        if isinstance(value, dt.date):
            return day(value)
        return value if isinstance(value, str) else number(value)

    params = dict(words.params)
    if words.plural:
        n = params["n"]
        assert isinstance(n, int | Decimal)
        text = ngettext(words.msgid, words.plural, 1 if n == 1 else max(2, int(n)) if n > 1 else int(n))
    else:
        text = gettext(words.msgid)
    text = text % {name: shown(value) for name, value in params.items()} if params else text
    # “CO2” keeps its capitals.
    return text[:1].lower() + text[1:] if words.is_inside and not text[:2].isupper() else text


def said(day: dt.date) -> str:
    """Return a day as people say it: Tue 9 June."""
    return f"{day:%a} {day.day} {day:%B}"


def number_text(value: int | Decimal) -> str:
    """A number without zeros that say nothing: 24, 2.5."""
    return str(value) if isinstance(value, int) else f"{value.normalize():f}"


def _english(singular: str, plural: str, n: int) -> str:
    return singular if n == 1 else plural
