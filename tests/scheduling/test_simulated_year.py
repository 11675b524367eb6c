"""A year of reminders of every kind in six zones, clock changes and half-hour shifts among them: each at its moment.

The sweep is run where something is due, at the 20-second step that follows it, as a sweep that ticks the year through
would find it.
"""

import datetime as dt
import os
import random
from zoneinfo import ZoneInfo

import pytest
from django.conf import settings
from django.db import transaction

from accounts.models import Channel
from scheduling.models import Delivery, DeliveryState, Reminder
from scheduling.planning.timing import elapsed_after
from scheduling.reminder_kinds import KINDS
from scheduling.services.delivery import TICK_ROWS, tick
from scheduling.services.reminder_rows import Wall, Wanted, reminders_set
from tests.factories import CooperativeFactory, MemberFactory, MemberPersonFactory, PersonFactory, QueenBatchFactory

pytestmark = pytest.mark.django_db

ZONES = [
    "Europe/Berlin",
    "America/New_York",
    "America/St_Johns",  # half an hour beside the hour
    "Australia/Lord_Howe",  # clocks move by half an hour
    "Asia/Kathmandu",  # three quarters
    "Africa/Johannesburg",  # never moves
]
STEP = dt.timedelta(seconds=20)
BEGINS = dt.datetime(2027, 12, 20, tzinfo=dt.UTC)  # over a year's end and a 29 February
DAYS = 380


def clock_changes(zone: str) -> list[dt.datetime]:
    """Each hour of the year after which the offset is another."""
    hours = [BEGINS + dt.timedelta(hours=hour) for hour in range(DAYS * 24)]
    offsets = [hour.astimezone(ZoneInfo(zone)).utcoffset() for hour in hours]
    return [hours[n] for n in range(1, len(hours)) if offsets[n] != offsets[n - 1]]


def moments(zone: str, chance: random.Random) -> list[dt.datetime]:
    """Of an event 24 hours before each reminder: around changes of the clocks, leap day, year's end; and any."""
    special = [
        *clock_changes(zone),
        dt.datetime(2028, 2, 28, 22, tzinfo=dt.UTC),
        dt.datetime(2027, 12, 31, 20, tzinfo=dt.UTC),
    ]
    near = [moment + dt.timedelta(minutes=chance.randrange(-30 * 60, 6 * 60)) for moment in special for _ in range(3)]
    return near + [BEGINS + dt.timedelta(minutes=chance.randrange(2 * 1440, (DAYS - 3) * 1440)) for _ in range(6)]


@pytest.mark.parametrize("zone", ZONES)
def test_a_year_of_reminders_is_told_at_its_moments(zone: str) -> None:
    chance = random.Random(ZONES.index(zone))
    member = MemberFactory(cooperative=CooperativeFactory(time_zone=zone))
    MemberPersonFactory(member=member, person=PersonFactory(quiet_from=None, quiet_until=None))
    expected = {}
    # One of each sort that behaves in its own way; BROODTIDE_FAULTS=long takes every kind.
    kinds = (
        KINDS
        if os.environ.get("BROODTIDE_FAULTS") == "long"
        else ["second_co2", "egg_check", "place_offered", "place_given"]
    )
    for kind in kinds:
        batch = QueenBatchFactory(member=member)
        for number, event in enumerate(moments(zone, chance)):
            is_wall = (number + len(kind)) % 2 == 0
            wall = Wall(event.date(), dt.time(8), zone) if is_wall else None
            due = wall.moment if wall else elapsed_after(event, 24)
            with transaction.atomic():
                row = reminders_set(
                    batch,
                    [Wanted(kind, due, f"{kind} {number}", "", member=member, wall=wall, stage=f"n{number}")],
                    cooperative=member.cooperative,
                    kinds=[],
                    now=BEGINS,
                )[0]
            expected[row.pk] = (event, wall)
    run_the_year()
    told = Delivery.objects.filter(rung="due", channel=Channel.INBOX, reminder__in=expected).select_related("reminder")
    assert told.count() == len(expected), "each once"
    for delivery in told:
        event, wall = expected[delivery.reminder_id]
        assert delivery.sent_at is not None
        assert dt.timedelta() <= delivery.sent_at - delivery.reminder.due_at < STEP
        if wall is None:
            assert delivery.reminder.due_at - event == dt.timedelta(hours=24), "elapsed, whatever the clocks do"
        else:
            local = delivery.reminder.due_at.astimezone(ZoneInfo(zone))
            assert (local.date(), local.time()) == (wall.date, wall.time)
    assert not Delivery.objects.exclude(state__in=[DeliveryState.SENT, DeliveryState.SUPERSEDED]).exists()
    late = [
        row
        for row in Delivery.objects.exclude(sent_at=None)
        if row.due_at and row.sent_at and row.sent_at - row.due_at >= STEP + STEP
    ]
    assert late == [], "no stage of any ladder is late"


def run_the_year() -> None:
    """Jump from due moment to due moment, on the sweep's own steps."""
    while (
        coming := Reminder.objects.filter(tell_at__isnull=False, state="wanted").order_by("tell_at").first()
    ) is not None:
        assert coming.tell_at is not None
        steps = -(-(coming.tell_at - BEGINS) // STEP)
        now = BEGINS + steps * STEP
        while tick(now=now, limit=TICK_ROWS).is_full:
            continue


def test_the_sweep_runs_on_an_interval_in_utc() -> None:
    """A crontab in a zone stops for an hour when clocks go back."""
    assert settings.CELERY_TIMEZONE == "UTC"
    entries = settings.CELERY_BEAT_SCHEDULE.values()
    assert all(isinstance(entry["schedule"], float) for entry in entries)
    every = settings.CELERY_BEAT_SCHEDULE["deliver-due"]["schedule"]
    assert isinstance(every, float)
    assert every <= 10
