"""Days and volumes as people read them."""

import datetime as dt
from zoneinfo import ZoneInfo

from django.utils.formats import date_format
from django.utils.translation import gettext as _


def day_words(day: dt.date) -> str:
    """“Thu 25 June”."""
    return date_format(day, "MONTH_DAY_FORMAT")


def moment_words(moment: dt.datetime, zone: ZoneInfo) -> str:
    """“Sat 27 June, 09:30” in the cooperative's zone."""
    local = moment.astimezone(zone)
    return f"{day_words(local.date())}, {local:%H:%M}"


def ordinal_words(number: int) -> str:
    """1st, 2nd, 3rd, 4th, … 11th, … 21st."""
    if number % 100 in (11, 12, 13):
        return _("%(n)dth") % {"n": number}
    endings = {1: _("%(n)dst"), 2: _("%(n)dnd"), 3: _("%(n)drd")}
    return endings.get(number % 10, _("%(n)dth")) % {"n": number}


def and_words(names: list[str]) -> str:
    """“Ling, Fell and Holm”."""
    if len(names) < 2:
        return "".join(names)
    return _("%(first)s and %(last)s") % {"first": ", ".join(names[:-1]), "last": names[-1]}


def volume_words(tenths: int) -> str:
    """Tenths of a µl as µl: “8 µl”, “8.5 µl”."""
    return f"{tenths // 10} µl" if tenths % 10 == 0 else f"{tenths / 10:.1f} µl"
