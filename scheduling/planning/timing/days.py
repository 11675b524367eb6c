"""Small helpers of calendar days, shared by the calendars."""

import datetime as dt
import math
from decimal import Decimal

from scheduling.planning.words import Words
from scheduling.planning.words import message_of as ngettext

HOURS_PER_DAY = 24


def days_later(day: dt.date, days: int) -> dt.date:
    """Return the calendar day `days` later; earlier when negative.

    Raises
    ------
    TypeError
        A moment instead of a day: a day of the calendar is 23 to 25 hours long, see `elapsed_after`.
    """
    if isinstance(day, dt.datetime):
        raise TypeError("day: a calendar day is needed, not a moment. Hours are added by elapsed_after.")
    return day + dt.timedelta(days=days)


def whole_days(hours: Decimal) -> int:
    """Return the calendar days that `hours` of elapsed time need at most, when only days are known."""
    return math.ceil(hours / HOURS_PER_DAY)


def hours_said(hours: Decimal) -> Words:
    """“24 hours”."""
    return ngettext("%(n)s hour", "%(n)s hours", hours)


def days_said(days: int) -> Words:
    """“3 days”."""
    return ngettext("%(n)s day", "%(n)s days", days)
