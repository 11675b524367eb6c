"""Elapsed hours stay elapsed and calendar days stay days: whole years, both clock changes, leap days, year ends."""

import datetime as dt
from zoneinfo import ZoneInfo

import pytest

from scheduling.planning.facts import settings_from
from scheduling.planning.timing import (
    BatchEvents,
    backward_plan,
    batch_calendar,
    days_later,
    elapsed_after,
    elapsed_hours,
    local_day,
    local_to_utc,
)

SETTINGS = settings_from({})
ZONES = [
    "Europe/Berlin",
    "America/New_York",
    "America/St_Johns",
    "Australia/Lord_Howe",  # half an hour's shift
    "Pacific/Chatham",
    "Africa/Casablanca",  # shifts around Ramadan
    "Asia/Kathmandu",
    "UTC",
]
YEARS = [2026, 2028]  # 2028 has a 29 February


@pytest.mark.parametrize("year", YEARS)
@pytest.mark.parametrize("zone", ZONES)
def test_a_bench_on_every_day_of_a_year_has_exact_hours_and_whole_days(zone: str, year: int) -> None:
    clock_changes = 0
    for number in range(366):
        day = days_later(dt.date(year, 1, 1), number)
        bench_at = local_to_utc(day, dt.time(2, 15), zone)  # inside most gaps and overlaps
        graft = days_later(day, -20)
        planned = batch_calendar(
            BatchEvents(grafted_on=graft, zone=zone, bench_at=bench_at, is_split_dose=True), SETTINGS
        )
        done = batch_calendar(BatchEvents(grafted_on=graft, zone=zone, doses_at=(bench_at,)), SETTINGS)
        first, second, dose = planned.step("first_co2"), done.step("second_co2"), planned.step("second_dose")
        still, eggs, bench = done.step("keep_still"), done.step("egg_check_1"), planned.step("bench_time")
        steps = [step for step in (first, second, dose, still, eggs, bench) if step is not None]
        moments = [step.best_at or step.latest_at for step in steps[:4]]

        assert [moment and elapsed_hours(bench_at, moment) for moment in moments] == [-24, 24, 48, 48]
        assert [(step.best - day).days for step in steps[4:]] == [7, 0]
        assert all(step.best == local_day(step.best_at, zone) for step in steps[:3] if step.best_at)
        offsets = {moment.astimezone(ZoneInfo(zone)).utcoffset() for moment in moments if moment}
        clock_changes += len(offsets) - 1
    expected = 0 if zone in ("Asia/Kathmandu", "UTC") else 2
    assert clock_changes >= expected  # the year really went over the changes


def test_days_across_a_year_end_and_a_leap_day() -> None:
    plan = {step.key: step.best for step in backward_plan(dt.date(2029, 1, 3), SETTINGS)}
    assert (plan["graft"], plan["egg_check_1"]) == (dt.date(2028, 12, 14), dt.date(2029, 1, 10))
    leap = batch_calendar(BatchEvents(grafted_on=dt.date(2028, 2, 29)), SETTINGS)
    assert (leap.emergence_on, leap.window.best_on) == (dt.date(2028, 3, 12), dt.date(2028, 3, 20))
    common = batch_calendar(BatchEvents(grafted_on=dt.date(2027, 2, 28)), SETTINGS)
    assert common.emergence_on == dt.date(2027, 3, 12)


def test_on_lord_howe_a_day_with_the_change_is_half_an_hour_longer() -> None:
    """Clocks there go back by 30 minutes on 5 April 2026: 24 elapsed hours end at 13:30, not at 14:00."""
    first = local_to_utc(dt.date(2026, 4, 4), dt.time(14), "Australia/Lord_Howe")

    local = elapsed_after(first, 24).astimezone(ZoneInfo("Australia/Lord_Howe"))

    assert f"{local:%Y-%m-%d %H:%M}" == "2026-04-05 13:30"


def test_a_moment_is_no_calendar_day() -> None:
    with pytest.raises(TypeError, match="calendar day is needed"):
        days_later(dt.datetime(2026, 3, 28, 14, tzinfo=dt.UTC), 1)
