"""The hour of an emergence, where it is known: what goes by elapsed time starts from it; days stay days."""

import datetime as dt
from dataclasses import replace
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from scheduling.planning.facts import settings_from
from scheduling.planning.timing import (
    BatchEvents,
    Emergence,
    batch_calendar,
    days_later,
    elapsed_after,
    elapsed_hours,
    local_day,
    local_to_utc,
)
from tests.scheduling.planning.calendars import note_keys, step_of

SETTINGS = settings_from({})
GRAFT, EMERGED = dt.date(2026, 5, 20), dt.date(2026, 6, 1)
BERLIN = "Europe/Berlin"
OUT = BatchEvents(zone=BERLIN, grafted_on=GRAFT, emergences=(Emergence(EMERGED, hour=22),))
# 6 June, 09:00 in Berlin: a calendar age of 5 days, 107 hours by the clock.
BENCH_AT = dt.datetime(2026, 6, 6, 7, tzinfo=dt.UTC)


def test_without_an_hour_only_days_are_known() -> None:
    calendar = batch_calendar(replace(OUT, emergences=(Emergence(EMERGED),)), SETTINGS)

    assert calendar.window.opens_at is None
    assert step_of(calendar, "bench_time").earliest_at is None
    assert step_of(calendar, "excluder_alarm").latest_at is None


def test_with_the_hour_the_window_opens_at_a_moment_and_the_days_stay_as_they_are() -> None:
    by_hour, by_day = (
        batch_calendar(replace(OUT, emergences=(Emergence(EMERGED, hour=hour),)), SETTINGS) for hour in (22, None)
    )

    assert by_hour.window.opens_at == local_to_utc(dt.date(2026, 6, 6), dt.time(22), BERLIN)
    assert step_of(by_hour, "bench_time").earliest_at == by_hour.window.opens_at
    assert step_of(by_hour, "excluder_alarm").latest_at == local_to_utc(dt.date(2026, 6, 5), dt.time(22), BERLIN)
    assert replace(by_hour.window, opens_at=None) == by_day.window
    assert [(step.key, step.earliest, step.best, step.latest) for step in by_hour.steps] == [
        (step.key, step.earliest, step.best, step.latest) for step in by_day.steps
    ]


def test_a_bench_some_hours_before_that_age_is_said_with_the_hour_that_would_do() -> None:
    calendar = batch_calendar(replace(OUT, bench_at=BENCH_AT), SETTINGS)
    notes = {note.key: note for note in calendar.notes}

    assert [*notes] == ["young_by_hour", "co2_too_young"]
    assert str(notes["young_by_hour"].text) == (
        "Virgins of Mon 1 June lack 13 hours to the age of 5 days when the bench begins on Sat 6 June."
    )
    assert str(notes["young_by_hour"].help) == (
        "They are old enough on Sat 6 June at 22:00: take them last, or ask for a later day."
    )
    assert "the youngest virgins are 3 days old; 4 is the youngest" in str(notes["co2_too_young"].text)
    assert step_of(calendar, "bench_time").best_at == BENCH_AT


@pytest.mark.parametrize(("hour", "expected"), [(None, []), (7, []), (9, []), (10, ["young_by_hour", "co2_too_young"])])
def test_the_hour_of_emergence_decides_at_the_edge(hour: int | None, expected: list[str]) -> None:
    assert note_keys(replace(OUT, emergences=(Emergence(EMERGED, hour=hour),), bench_at=BENCH_AT)) == expected


def test_of_several_emergences_the_youngest_open_the_window_and_the_oldest_set_the_alarm() -> None:
    both = (Emergence(EMERGED, hour=6), Emergence(EMERGED, hour=20), Emergence(dt.date(2026, 6, 2), hour=3))
    calendar = batch_calendar(replace(OUT, emergences=both), SETTINGS)

    assert calendar.window.opens_at == local_to_utc(dt.date(2026, 6, 7), dt.time(3), BERLIN)
    assert step_of(calendar, "excluder_alarm").latest_at == local_to_utc(dt.date(2026, 6, 5), dt.time(6), BERLIN)
    unknown = (*both, Emergence(dt.date(2026, 6, 2)))
    assert batch_calendar(replace(OUT, emergences=unknown), SETTINGS).window.opens_at is None


@given(
    emerged=st.dates(dt.date(2026, 1, 1), dt.date(2028, 12, 31)),
    hour=st.integers(0, 23),
    zone=st.sampled_from([BERLIN, "America/New_York", "Australia/Lord_Howe", "Pacific/Chatham", "UTC"]),
)
def test_ages_by_the_hour_are_elapsed_time_over_every_change_of_the_clocks(
    emerged: dt.date, hour: int, zone: str
) -> None:
    events = BatchEvents(zone=zone, grafted_on=days_later(emerged, -12), emergences=(Emergence(emerged, hour=hour),))
    calendar = batch_calendar(events, SETTINGS)
    out_at = local_to_utc(emerged, dt.time(hour), zone)
    alarm = step_of(calendar, "excluder_alarm")

    assert calendar.window.opens_at is not None
    assert alarm.latest_at is not None
    assert elapsed_hours(out_at, calendar.window.opens_at) == 5 * 24
    assert elapsed_hours(out_at, alarm.latest_at) == 4 * 24
    assert local_day(alarm.latest_at, zone) <= alarm.latest


def test_over_the_spring_change_a_virgin_is_five_days_old_an_hour_later_on_the_wall_clock() -> None:
    events = BatchEvents(
        zone=BERLIN, grafted_on=dt.date(2026, 3, 15), emergences=(Emergence(dt.date(2026, 3, 27), hour=9),)
    )
    opens_at = batch_calendar(events, SETTINGS).window.opens_at

    assert opens_at is not None
    assert f"{opens_at.astimezone(ZoneInfo(BERLIN)):%d %H:%M}" == "01 10:00"
    assert elapsed_after(opens_at, -5 * 24) == local_to_utc(dt.date(2026, 3, 27), dt.time(9), BERLIN)
