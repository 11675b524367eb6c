"""What Today says first, by the clock of the people who read it."""

import datetime as dt
from zoneinfo import ZoneInfo

import pytest

from scheduling.models import Reminder
from scheduling.queries.reminders import shown
from scheduling.queries.today import headline
from tests.factories import NOW, PersonFactory, ReminderFactory

pytestmark = pytest.mark.django_db

BERLIN = ZoneInfo("Europe/Berlin")  # NOW is 10:00 there on Tue 9 June


def said(*coming: Reminder, now: dt.datetime = NOW) -> str:
    return headline([], [shown(row, now=now) for row in coming], now=now, zone=BERLIN)


def test_what_is_next_today_is_said_by_its_hour() -> None:
    assert said(ReminderFactory(due_at=NOW + dt.timedelta(hours=3))) == "Nothing due until 13:00 today"


def test_what_is_next_after_local_midnight_is_of_the_next_day() -> None:
    late = NOW.replace(hour=22, minute=30)  # 00:30 there, still 9 June in UTC
    assert said(ReminderFactory(due_at=late)) == "Nothing due until Wed 10 June"


def test_what_somebody_is_on_already_is_not_what_comes_next() -> None:
    on_it = ReminderFactory(due_at=NOW - dt.timedelta(hours=1), acknowledged_at=NOW, acknowledged_by=PersonFactory())
    assert said(on_it) == "Nothing is due"
