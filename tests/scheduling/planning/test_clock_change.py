"""Clock changes that a message has to mention: dates by Directive 2000/84/EC and the zone data."""

import datetime as dt

import pytest

from scheduling.planning.timing.clock import ClockChange, next_clock_change


def utc(*parts: int) -> dt.datetime:
    return dt.datetime(*parts, tzinfo=dt.UTC)  # type: ignore[misc,arg-type]


@pytest.mark.parametrize(
    ("zone", "earlier", "later", "expected"),
    [
        (
            "Europe/Berlin",
            utc(2026, 10, 24, 16),
            utc(2026, 10, 25, 12),
            ClockChange(at=utc(2026, 10, 25, 1), reads=dt.datetime(2026, 10, 25, 3), minutes=-60),  # noqa: DTZ001
        ),
        (
            "Europe/Berlin",
            utc(2026, 3, 27, 8),
            utc(2026, 3, 29, 8),
            ClockChange(at=utc(2026, 3, 29, 1), reads=dt.datetime(2026, 3, 29, 2), minutes=60),  # noqa: DTZ001
        ),
        (
            "Australia/Lord_Howe",
            utc(2026, 4, 4, 8),
            utc(2026, 4, 5, 8),
            ClockChange(at=utc(2026, 4, 4, 15), reads=dt.datetime(2026, 4, 5, 2), minutes=-30),  # noqa: DTZ001
        ),
    ],
)
def test_the_change_between_two_moments_is_found(
    zone: str, earlier: dt.datetime, later: dt.datetime, expected: ClockChange
) -> None:
    assert next_clock_change(earlier, later, zone) == expected


def test_both_changes_of_a_year_do_not_hide_each_other() -> None:
    found = next_clock_change(utc(2026, 1, 10), utc(2026, 12, 10), "Europe/Berlin")
    assert found is not None
    assert found.at == utc(2026, 3, 29, 1)


@pytest.mark.parametrize(
    ("earlier", "later", "zone"),
    [
        (utc(2026, 10, 25, 1), utc(2026, 10, 26), "Europe/Berlin"),  # it is over
        (utc(2026, 10, 24), utc(2026, 10, 25, 0, 59, 59), "Europe/Berlin"),  # not yet
        (utc(2026, 1, 1), utc(2026, 12, 31), "Asia/Kolkata"),  # never
        (utc(2026, 10, 26), utc(2026, 10, 24), "Europe/Berlin"),  # nothing lies between
    ],
)
def test_no_change_is_mentioned_where_none_lies_between(earlier: dt.datetime, later: dt.datetime, zone: str) -> None:
    assert next_clock_change(earlier, later, zone) is None


def test_tonight_is_the_coming_night_alone() -> None:
    change = next_clock_change(utc(2026, 10, 20), utc(2026, 10, 26), "Europe/Berlin")
    assert change is not None
    evening_before, morning_before = utc(2026, 10, 24, 18), utc(2026, 10, 24, 6)
    assert [change.is_tonight(now) for now in (evening_before, morning_before, utc(2026, 10, 25, 0, 30))] == [True] * 3
    assert not change.is_tonight(utc(2026, 10, 23, 18))
    assert not change.is_tonight(utc(2026, 10, 25, 1))


def test_a_moment_without_a_zone_is_refused() -> None:
    with pytest.raises(ValueError, match="needs a time zone"):
        next_clock_change(dt.datetime(2026, 1, 1), utc(2026, 2, 1), "Europe/Berlin")  # noqa: DTZ001
