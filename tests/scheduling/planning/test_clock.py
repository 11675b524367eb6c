import datetime as dt
from decimal import Decimal
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from scheduling.planning.timing import (
    clock_changes_between,
    elapsed_after,
    elapsed_hours,
    local_day,
    local_to_utc,
)

ZONES = st.sampled_from(
    [
        "UTC",
        "Europe/Berlin",
        "America/St_Johns",
        "America/New_York",
        "Australia/Lord_Howe",
        "Pacific/Chatham",
        "Asia/Kathmandu",
        "Africa/Casablanca",
        "Atlantic/Azores",
    ]
)
moments = st.datetimes(dt.datetime(2015, 1, 1), dt.datetime(2037, 1, 1), timezones=st.just(dt.UTC))  # noqa: DTZ001
days = st.dates(dt.date(2015, 1, 1), dt.date(2037, 1, 1))
times = st.times().map(lambda time: time.replace(microsecond=0, fold=0))


def wall(moment: dt.datetime, zone: str) -> dt.datetime:
    return moment.astimezone(ZoneInfo(zone)).replace(tzinfo=None, fold=0)


@given(day=days, time=times, zone=ZONES)
def test_local_time_becomes_the_first_instant_at_which_the_wall_clock_reaches_it(
    day: dt.date, time: dt.time, zone: str
) -> None:
    moment = local_to_utc(day, time, zone)
    wanted = dt.datetime.combine(day, time)

    assert wall(moment, zone) >= wanted
    assert wall(moment - dt.timedelta(seconds=1), zone) < wanted


@pytest.mark.parametrize(
    ("zone", "change"),
    [
        ("Europe/Berlin", dt.date(2026, 3, 29)),
        ("Europe/Berlin", dt.date(2026, 10, 25)),
        ("Australia/Lord_Howe", dt.date(2026, 4, 5)),
        ("Australia/Lord_Howe", dt.date(2026, 10, 4)),
        ("America/St_Johns", dt.date(2026, 3, 8)),
        ("America/St_Johns", dt.date(2026, 11, 1)),
    ],
)
def test_every_minute_around_a_clock_change_obeys_the_rule(zone: str, change: dt.date) -> None:
    for minute in range(24 * 60):
        time = dt.time(minute // 60, minute % 60)
        moment, wanted = local_to_utc(change, time, zone), dt.datetime.combine(change, time)
        assert wall(moment, zone) >= wanted
        assert wall(moment - dt.timedelta(seconds=1), zone) < wanted


@given(moment=moments, hours=st.integers(-1000, 1000), zone=ZONES)
def test_elapsed_hours_are_elapsed_whatever_zone_the_moment_is_in(moment: dt.datetime, hours: int, zone: str) -> None:
    local = moment.astimezone(ZoneInfo(zone))

    after = elapsed_after(local, hours)

    assert after.tzinfo is dt.UTC
    assert after == elapsed_after(moment, hours)
    assert after.timestamp() - moment.timestamp() == pytest.approx(hours * 3600, abs=1e-3)
    assert elapsed_hours(local, after) == Decimal(hours)


def test_local_day_is_the_apiarys_day() -> None:
    moment = dt.datetime(2026, 6, 8, 22, 30, tzinfo=dt.UTC)

    assert [local_day(moment, zone) for zone in ("UTC", "Europe/Berlin", "America/New_York")] == [
        dt.date(2026, 6, 8),
        dt.date(2026, 6, 9),
        dt.date(2026, 6, 8),
    ]


def test_a_clock_change_between_two_moments_is_noticed() -> None:
    before = dt.datetime(2026, 3, 28, 13, tzinfo=dt.UTC)

    assert clock_changes_between(before, elapsed_after(before, 24), "Europe/Berlin")
    assert not clock_changes_between(before, elapsed_after(before, 6), "Europe/Berlin")
    assert not clock_changes_between(before, elapsed_after(before, 24), "Asia/Kathmandu")


@pytest.mark.parametrize("zone", ["", "Europe/Nowhere", "../etc/passwd", "Europe"])
def test_an_unknown_zone_is_refused_by_name(zone: str) -> None:
    with pytest.raises(ValueError, match="there is no time zone"):
        local_to_utc(dt.date(2026, 6, 9), dt.time(10), zone)


def test_a_wall_clock_time_may_not_carry_a_zone() -> None:
    with pytest.raises(ValueError, match="carries no time zone of its own"):
        local_to_utc(dt.date(2026, 6, 9), dt.time(10, tzinfo=dt.UTC), "Europe/Berlin")


def test_moments_without_zone_are_refused_everywhere() -> None:
    naive = dt.datetime(2026, 6, 9, 10)  # noqa: DTZ001 - the refusal is the point
    aware = naive.replace(tzinfo=dt.UTC)

    for refused in (
        lambda: elapsed_after(naive, 1),
        lambda: elapsed_hours(naive, aware),
        lambda: local_day(naive, "UTC"),
        lambda: clock_changes_between(aware, naive, "UTC"),
    ):
        with pytest.raises(ValueError, match="needs a time zone"):
            refused()
