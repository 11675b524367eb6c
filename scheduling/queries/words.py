"""Days and volumes as people read them."""

import datetime as dt
from decimal import Decimal
from zoneinfo import ZoneInfo

from django.utils.translation import gettext as _
from django.utils.translation import gettext_noop

from accounts.told import Moment, Part, Told, and_told, day_text, told
from scheduling.planning.words import Param, Words


def words_of(words: Words) -> str:
    """A sentence of the pure rooms in the reader's language."""
    return str(told_words(words))


def told_words(words: Words) -> Told:
    """The same as it can be kept."""
    params = tuple((name, _part(value)) for name, value in words.params)
    said = Told(words.msgid, params=params, is_inside=words.is_inside)
    if not words.plural:
        return said
    n = dict(words.params)["n"]
    assert isinstance(n, int | Decimal)
    form = 1 if n == 1 else max(2, int(n)) if n > 1 else int(n)
    return Told(words.msgid, words.plural, form, params, words.is_inside)


def _part(value: Param) -> Part:
    return told_words(value) if isinstance(value, Words) else value


def day_words(day: dt.date) -> str:
    """“Thu 25 June”."""
    return day_text(day)


def moment_words(moment: dt.datetime, zone: ZoneInfo) -> str:
    """“Sat 27 June, 09:30” in the cooperative's zone."""
    return str(Moment(moment, str(zone)))


def ordinal_words(number: int) -> str:
    """1st, 2nd, 3rd, 4th, … 11th, … 21st."""
    if number % 100 in (11, 12, 13):
        return _("%(n)dth") % {"n": number}
    endings = {1: _("%(n)dst"), 2: _("%(n)dnd"), 3: _("%(n)drd")}
    return endings.get(number % 10, _("%(n)dth")) % {"n": number}


def and_words(names: list[str]) -> str:
    """“Ling, Fell and Holm”."""
    return str(and_told(names))


def volume_words(tenths: int) -> str:
    """Tenths of a µl as µl: “8 µl”, “8.5 µl”."""
    return str(volume_told(tenths))


def volume_told(tenths: int) -> Told:
    return told(gettext_noop("%(volume)s µl")) % {"volume": Decimal(tenths) / 10}
