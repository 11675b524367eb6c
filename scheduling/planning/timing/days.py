"""Small helpers of calendar days, shared by the calendars."""

import datetime as dt
import math
from decimal import Decimal

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


def said(day: dt.date) -> str:
    """Return a day as people say it: Tue 9 June."""
    return f"{day:%a} {day.day} {day:%B}"
