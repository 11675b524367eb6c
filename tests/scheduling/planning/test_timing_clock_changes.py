"""Both changes of the clocks in six zones, every kind of step: elapsed time to the second, calendar days as days."""

import datetime as dt
from collections.abc import Iterable, Iterator
from zoneinfo import ZoneInfo

import pytest

from scheduling.planning.facts import settings_from
from scheduling.planning.timing import (
    BatchEvents,
    Emergence,
    Step,
    batch_calendar,
    bench_day_steps,
    days_later,
    elapsed_after,
    local_day,
    local_to_utc,
)

SETTINGS = settings_from({})
YEAR = 2028  # it has a 29 February
ZONES = [
    "Europe/Berlin",
    "America/New_York",
    "America/St_Johns",
    "Australia/Lord_Howe",  # by half an hour
    "Pacific/Chatham",
    "America/Santiago",  # at midnight, so that one day has no beginning
]
HOUR = 3600
BENCH_LASTS_H = 5
ORDINARY = dt.datetime(2026, 6, 9, 9, tzinfo=dt.UTC)

# Seconds from the beginning of the bench, or from the insemination, for every step that has a moment.
Moments = dict[str, tuple[float | None, ...]]
Days = dict[str, dict[str, tuple[int | None, ...]]]
PLANNED: Moments = {
    "first_co2": (-48 * HOUR, -24 * HOUR, -3 * HOUR),
    "bench_time": (None, 0, None),
    "keep_still": (None, None, 48 * HOUR),
    "second_dose": (None, 48 * HOUR, None),
}
DONE: Moments = {
    "second_co2": (3 * HOUR, 24 * HOUR, 48 * HOUR),
    "keep_still": (None, None, 48 * HOUR),
    "second_dose": (None, 48 * HOUR, None),
}
END = BENCH_LASTS_H * HOUR
BENCH_DAY: Moments = {
    "first_co2": (-48 * HOUR, -24 * HOUR, -3 * HOUR),
    "catch_drones": (None, None, 0),
    "sterilise": (None, None, 0),
    "collect_semen": (None, 0, END),
    "bench_time": (None, 0, END),
    "return_queens": (None, None, END),
    "close_session": (None, END, None),
    "second_co2": (END + 3 * HOUR, END + 24 * HOUR, END + 48 * HOUR),
    "keep_still": (None, None, END + 48 * HOUR),
}


def changes(zone: str) -> list[dt.datetime]:
    """The moments at which the clocks of `zone` change in the year, found by looking at every quarter of an hour."""
    there = ZoneInfo(zone)
    quarter, moment = dt.timedelta(minutes=15), dt.datetime(YEAR, 1, 1, tzinfo=dt.UTC)
    found = []
    while moment.year == YEAR:
        if moment.astimezone(there).utcoffset() != (moment - quarter).astimezone(there).utcoffset():
            found.append(moment)
        moment += quarter
    return found


def seconds(steps: Iterable[Step], since: dt.datetime) -> Moments:
    """Of every step with a moment: its seconds since then."""
    moments = {step.key: (step.earliest_at, step.best_at, step.latest_at) for step in steps}
    return {
        key: tuple(None if moment is None else (moment - since).total_seconds() for moment in three)
        for key, three in moments.items()
        if any(three)
    }


def offsets(steps: Iterable[Step], day: dt.date) -> dict[str, tuple[int | None, ...]]:
    """Of every step that goes by days alone: its days from `day`."""
    return {
        step.key: tuple(
            None if on is None else (on - day).days for on in (step.earliest, step.best, step.latest, step.hard_limit)
        )
        for step in steps
        if not any((step.earliest_at, step.best_at, step.latest_at))
    }


def calendars(bench_at: dt.datetime, zone: str) -> Iterator[tuple[str, tuple[Step, ...], Moments]]:
    """A batch whose bench is still to come, one that was inseminated then, and the bench session itself."""
    day = local_day(bench_at, zone)
    graft = days_later(day, -20)
    planned = BatchEvents(
        zone=zone,
        grafted_on=graft,
        emergences=(Emergence(days_later(day, -8)),),
        bench_at=bench_at,
        is_split_dose=True,
    )
    done = BatchEvents(zone=zone, grafted_on=graft, doses_at=(bench_at,), is_split_dose=True)
    yield "planned", batch_calendar(planned, SETTINGS).steps, PLANNED
    yield "done", batch_calendar(done, SETTINGS).steps, DONE
    yield "bench", bench_day_steps(bench_at, elapsed_after(bench_at, BENCH_LASTS_H), zone, SETTINGS), BENCH_DAY


def check(bench_at: dt.datetime, zone: str, ordinary: Days) -> None:
    day = local_day(bench_at, zone)
    for name, steps, expected in calendars(bench_at, zone):
        assert seconds(steps, bench_at) == expected, (name, bench_at, zone)
        assert offsets(steps, day) == ordinary[name], (name, bench_at, zone)
        for step in steps:
            if step.best_at is not None:
                assert step.best == local_day(step.best_at, zone), (name, step)


@pytest.fixture(scope="module")
def ordinary() -> Days:
    """Days of every step on days without any change."""
    return {name: offsets(steps, ORDINARY.date()) for name, steps, _expected in calendars(ORDINARY, "UTC")}


def test_every_step_has_either_moments_or_days() -> None:
    for name, steps, expected in calendars(ORDINARY, "UTC"):
        assert set(expected) | set(offsets(steps, ORDINARY.date())) == {step.key for step in steps}
        assert len(steps) >= 12, name


@pytest.mark.parametrize("zone", ZONES)
def test_around_both_changes_elapsed_time_is_exact_and_days_are_days(zone: str, ordinary: Days) -> None:
    both = changes(zone)
    assert len(both) == 2
    for change in both:
        for hours in range(-72, 73):
            check(elapsed_after(change, hours), zone, ordinary)


@pytest.mark.parametrize("zone", ZONES)
def test_over_a_leap_year_and_both_its_ends(zone: str, ordinary: Days) -> None:
    day, last = dt.date(YEAR - 1, 12, 1), dt.date(YEAR + 1, 1, 31)
    days = 0
    while day <= last:
        check(local_to_utc(day, dt.time(9), zone), zone, ordinary)
        day, days = days_later(day, 1), days + 1
    assert days == 31 + 366 + 31


@pytest.mark.parametrize("zone", ZONES)
def test_an_emergence_by_the_hour_over_both_changes(zone: str) -> None:
    """The age of the youngest at the bench and the excluder alarm: 5 × 24 and 4 × 24 hours after it, to the second."""
    for change in changes(zone):
        for hours in range(-6 * 24, 25):
            out_at = elapsed_after(change, hours)
            local = out_at.astimezone(ZoneInfo(zone))
            if local.minute or local_to_utc(local.date(), dt.time(local.hour), zone) != out_at:
                continue  # the second of an hour that comes twice is not what a whole hour on record means
            events = BatchEvents(
                zone=zone,
                grafted_on=days_later(local.date(), -12),
                emergences=(Emergence(local.date(), hour=local.hour),),
            )
            calendar = batch_calendar(events, SETTINGS)
            alarm = calendar.step("excluder_alarm")
            assert calendar.window.opens_at is not None
            assert alarm is not None
            assert alarm.latest_at is not None
            assert (calendar.window.opens_at - out_at).total_seconds() == 5 * 24 * HOUR
            assert (alarm.latest_at - out_at).total_seconds() == 4 * 24 * HOUR


def test_adding_hours_to_the_wall_clock_would_be_found(ordinary: Days) -> None:
    """The control: hands of the clock moved by 24 hours are an hour off across a change, and the check sees it."""
    there = ZoneInfo("Europe/Berlin")
    bench_at = elapsed_after(changes("Europe/Berlin")[0], 12)
    _name, steps, _expected = next(iter(calendars(bench_at, "Europe/Berlin")))
    by_hand = (bench_at.astimezone(there) - dt.timedelta(hours=24)).astimezone(dt.UTC)
    first = next(step for step in steps if step.key == "first_co2")

    assert first.best_at is not None
    assert abs((first.best_at - by_hand).total_seconds()) == HOUR
    check(bench_at, "Europe/Berlin", ordinary)
