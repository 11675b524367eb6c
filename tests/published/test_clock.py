"""CO2 spacing is elapsed time; other offsets are calendar days.

Clock rule: worked example from row C02 (first CO2 24 h before, Standard methods for instrumental insemination,
J. Apic. Res. 52(4) 2013, doi:10.3896/IBRA.1.52.4.09) and the clock changes of the IANA time zone database.
CO2 pairs: Effect of time between CO2 treatments, J. Apic. Sci. 2022, doi:10.2478/jas-2022-0011 (row C17).
"""

import datetime as dt
from decimal import Decimal
from zoneinfo import ZoneInfo

import pytest

from scheduling.planning.facts import settings_from
from scheduling.planning.timing import (
    BatchEvents,
    batch_calendar,
    bench_day_steps,
    co2_due_after,
    co2_due_before,
    co2_record,
    co2_third_from,
    elapsed_after,
    local_to_utc,
)

SETTINGS = settings_from({})
BERLIN = ZoneInfo("Europe/Berlin")


def berlin(year: int, month: int, day: int, hour: int) -> dt.datetime:
    return dt.datetime(year, month, day, hour, tzinfo=BERLIN)


@pytest.mark.parametrize(
    ("first", "second"),
    [
        (berlin(2026, 3, 28, 14), "2026-03-29 15:00"),  # printed example: clocks go forward in the night
        (berlin(2026, 10, 24, 14), "2026-10-25 13:00"),  # clocks go back in the night
        (berlin(2026, 6, 8, 14), "2026-06-09 14:00"),
    ],
)
def test_second_co2_is_24_elapsed_hours_after_the_first(first: dt.datetime, second: str) -> None:
    due = co2_due_after(first, SETTINGS).best_at

    assert due.tzinfo is dt.UTC
    assert f"{due.astimezone(BERLIN):%Y-%m-%d %H:%M}" == second


def test_first_co2_is_24_elapsed_hours_before_the_bench() -> None:
    due = co2_due_before(berlin(2026, 3, 29, 15), SETTINGS)

    assert due.best_at.astimezone(BERLIN) == berlin(2026, 3, 28, 14)
    assert due.latest_at == dt.datetime(2026, 3, 29, 10, tzinfo=dt.UTC)


def test_adding_to_a_local_datetime_would_be_wrong() -> None:
    """Control: the plain sum is off by the hour that the rule is about."""
    first = berlin(2026, 3, 28, 14)

    assert first + dt.timedelta(hours=24) != elapsed_after(first, 24)
    assert (first + dt.timedelta(hours=24)).astimezone(dt.UTC) - first.astimezone(dt.UTC) == dt.timedelta(hours=23)


def test_elapsed_after_refuses_a_moment_without_zone() -> None:
    with pytest.raises(ValueError, match="needs a time zone"):
        elapsed_after(dt.datetime(2026, 3, 28, 14), 24)  # noqa: DTZ001 - the refusal is the point


@pytest.mark.parametrize(
    ("zone", "day", "time", "expected"),
    [
        ("Europe/Berlin", (2026, 10, 25), (2, 30), "2026-10-25T00:30:00+00:00"),  # twice: the earlier
        ("Europe/Berlin", (2026, 3, 29), (2, 30), "2026-03-29T01:00:00+00:00"),  # never: where the gap begins
        ("Europe/Berlin", (2026, 3, 29), (3, 0), "2026-03-29T01:00:00+00:00"),
        ("Europe/Berlin", (2026, 3, 29), (1, 59), "2026-03-29T00:59:00+00:00"),
        ("Australia/Lord_Howe", (2026, 10, 4), (2, 15), "2026-10-03T15:30:00+00:00"),  # half-hour gap
        ("Australia/Lord_Howe", (2026, 4, 5), (1, 45), "2026-04-04T14:45:00+00:00"),  # half-hour overlap
        ("Asia/Kathmandu", (2026, 6, 9), (10, 0), "2026-06-09T04:15:00+00:00"),
    ],
)
def test_local_deadlines_become_utc_by_one_rule(
    zone: str, day: tuple[int, int, int], time: tuple[int, int], expected: str
) -> None:
    """Twice: the earlier instant. Never: the instant before the gap. Rule R7 of the project's reliability rules."""
    assert local_to_utc(dt.date(*day), dt.time(*time), zone).isoformat() == expected


def test_calendar_days_do_not_move_with_the_clock() -> None:
    """Only CO2 and rest are elapsed; an egg check seven days later stays seven calendar days later."""
    start = local_to_utc(dt.date(2026, 3, 28), dt.time(9), "Europe/Berlin")
    steps = {step.key: step for step in bench_day_steps(start, elapsed_after(start, 6), "Europe/Berlin", SETTINGS)}

    assert steps["egg_check_1"].best == dt.date(2026, 4, 4)
    assert steps["second_co2"].best_at is not None
    assert steps["second_co2"].best_at.astimezone(BERLIN) == berlin(2026, 3, 29, 16)
    assert steps["first_co2"].best_at is not None
    assert steps["first_co2"].best_at.astimezone(BERLIN) == berlin(2026, 3, 27, 9)


@pytest.mark.parametrize(
    ("hours", "counted"),
    [("0.1", 1), ("2.9", 1), ("3", 2), ("24", 2), ("48", 2)],  # row C17: groups of 3 h and more behaved alike
)
def test_two_treatments_under_three_hours_are_no_pair(hours: str, counted: int) -> None:
    first = dt.datetime(2026, 6, 8, 12, tzinfo=dt.UTC)

    record = co2_record([first, elapsed_after(first, Decimal(hours))], SETTINGS)

    assert (len(record.counted), record.is_complete) == (counted, counted == 2)


@pytest.mark.parametrize(("treatments", "expected"), [(1, dt.date(2026, 6, 23)), (2, None), (3, None)])
def test_third_co2_only_when_fewer_than_two_are_on_record(treatments: int, expected: dt.date | None) -> None:
    """Rows C23 (offered after 14 days) and C07 (nothing gained over two)."""
    first = dt.datetime(2026, 6, 8, 12, tzinfo=dt.UTC)
    record = co2_record([elapsed_after(first, 24 * number) for number in range(treatments)], SETTINGS)

    offered = co2_third_from(record, inseminated_on=dt.date(2026, 6, 9), eggs_seen=False, settings=SETTINGS)

    assert offered == expected


def test_insemination_counts_as_a_treatment_and_the_follow_up_closes_the_pair() -> None:
    """Rows C01, C02, C03: before or after, both ways give two."""
    dose = berlin(2026, 6, 9, 11)
    graft = dt.date(2026, 5, 20)

    before = batch_calendar(
        BatchEvents(grafted_on=graft, zone="Europe/Berlin", co2_at=(elapsed_after(dose, -24),), doses_at=(dose,)),
        SETTINGS,
    )
    alone = batch_calendar(BatchEvents(grafted_on=graft, zone="Europe/Berlin", doses_at=(dose,)), SETTINGS)
    after = batch_calendar(
        BatchEvents(grafted_on=graft, zone="Europe/Berlin", doses_at=(dose,), co2_at=(elapsed_after(dose, 24),)),
        SETTINGS,
    )

    assert before.step("second_co2") is None
    due = alone.step("second_co2")
    assert due is not None
    assert (due.best_at, due.done_on) == (elapsed_after(dose, 24), None)
    done = after.step("second_co2")
    assert done is not None
    assert done.done_on == dt.date(2026, 6, 10)
    assert [calendar.step("third_co2") is None for calendar in (before, alone, after)] == [True, False, True]
