"""When somebody is told of one thing, and who is told besides. Minutes of the ladder are the app's own choices."""

import datetime as dt

import pytest
from hypothesis import given
from hypothesis import strategies as st

from scheduling.planning.timing import (
    LadderTimes,
    Matter,
    Rung,
    To,
    ladder,
    newest_rung,
    next_rung,
    out_of_quiet_hours,
)

BERLIN = "Europe/Berlin"
DUE = dt.datetime(2026, 6, 9, 12, 0, tzinfo=dt.UTC)
TIMES = LadderTimes()


def matter(**changes: object) -> Matter:
    values: dict[str, object] = {
        "due_at": DUE,
        "useful_until": DUE + dt.timedelta(days=1),
        "created_at": DUE - dt.timedelta(days=3),
        "zone": BERLIN,
        "is_passed_on": True,
    }
    return Matter(**{**values, **changes})  # type: ignore[arg-type]


def minutes(rungs: list[Rung]) -> list[tuple[str, int, str]]:
    return [(rung.key, int((rung.at - DUE).total_seconds() // 60), rung.to) for rung in rungs]


def test_a_critical_moment_is_told_before_at_and_after_and_passed_on() -> None:
    assert minutes(ladder(matter(), TIMES)) == [
        ("ahead", -120, To.OWN),
        ("soon", -30, To.OWN),
        ("due", 0, To.OWN),
        ("deputy", 15, To.DEPUTY),
        ("coordinator", 45, To.COORDINATORS),
        ("again1", 105, To.COORDINATORS),
        ("again2", 225, To.COORDINATORS),
    ]


def test_what_has_the_whole_day_is_told_the_evening_before_and_passed_on_in_the_afternoon() -> None:
    morning = dt.datetime(2026, 6, 9, 6, 0, tzinfo=dt.UTC)  # 08:00 there
    rungs = ladder(matter(due_at=morning, is_whole_day=True), TIMES)
    assert [(rung.key, rung.at.isoformat()[5:16]) for rung in rungs] == [
        ("evening", "06-08T16:00"),
        ("due", "06-09T06:00"),
        ("again1", "06-09T09:00"),
        ("deputy", "06-09T12:00"),
        ("coordinator", "06-09T15:00"),
    ]


def test_routine_matters_are_told_once() -> None:
    assert minutes(ladder(matter(is_passed_on=False), TIMES)) == [("due", 0, To.OWN)]


@pytest.mark.parametrize(
    ("due", "evening"),
    [("2026-06-09T01:00+02:00", "2026-06-08T18:00+02:00"), ("2026-06-09T23:30+02:00", "2026-06-09T18:00+02:00")],
)
def test_a_critical_moment_at_night_is_said_in_the_evening_before_and_still_told_at_its_time(
    due: str, evening: str
) -> None:
    at = dt.datetime.fromisoformat(due)
    rungs = {rung.key: rung.at for rung in ladder(matter(due_at=at, useful_until=at + dt.timedelta(days=1)), TIMES)}
    assert (rungs["evening"], rungs["due"]) == (dt.datetime.fromisoformat(evening), at)


def test_a_matter_written_down_after_its_moment_is_told_at_once_and_passed_on_from_then() -> None:
    written = DUE + dt.timedelta(hours=2)
    assert minutes(ladder(matter(created_at=written), TIMES))[:2] == [("due", 120, To.OWN), ("deputy", 135, To.DEPUTY)]


def test_a_matter_written_down_an_hour_before_skips_what_lies_behind() -> None:
    rungs = ladder(matter(created_at=DUE - dt.timedelta(hours=1)), TIMES)
    assert [rung.key for rung in rungs][:2] == ["soon", "due"]


def test_what_was_put_off_is_told_at_the_chosen_time_and_not_before() -> None:
    rungs = ladder(matter(was_put_off=True, created_at=DUE - dt.timedelta(hours=5), leads_min=[60]), TIMES)
    assert minutes(rungs)[0] == ("due", 0, To.OWN)


def test_lead_times_are_told_to_those_who_asked() -> None:
    rungs = ladder(matter(is_passed_on=False, leads_min=[1440, 60, 60]), TIMES)
    assert [(rung.key, rung.lead_min) for rung in rungs] == [("lead1440", 1440), ("lead60", 60), ("due", None)]


def test_nothing_is_repeated_when_it_is_of_no_use_any_more() -> None:
    rungs = ladder(matter(useful_until=DUE + dt.timedelta(minutes=20)), TIMES)
    assert [rung.key for rung in rungs][-1] == "deputy"


def test_after_a_standstill_only_the_newest_counts() -> None:
    rungs = ladder(matter(), TIMES)
    now = DUE + dt.timedelta(hours=1)
    newest, coming = newest_rung(rungs, now), next_rung(rungs, now)
    assert newest is not None
    assert coming is not None
    assert (newest.key, coming.key) == ("coordinator", "again1")


@given(
    created=st.integers(-20_000, 2_000),
    useful=st.integers(0, 3_000),
    day=st.booleans(),
    passed_on=st.booleans(),
    leads=st.lists(st.integers(15, 20_160), max_size=3),
)
def test_of_every_ladder(created: int, useful: int, day: bool, passed_on: bool, leads: list[int]) -> None:
    it = matter(
        created_at=DUE + dt.timedelta(minutes=created),
        useful_until=DUE + dt.timedelta(minutes=useful),
        is_whole_day=day,
        is_passed_on=passed_on,
        leads_min=leads,
    )
    rungs = ladder(it, TIMES)
    assert [rung.at for rung in rungs] == sorted(rung.at for rung in rungs)
    assert len({rung.key for rung in rungs}) == len(rungs), "each telling once"
    assert sum(rung.key == "due" for rung in rungs) == 1
    assert all(rung.at >= it.created_at for rung in rungs), "nothing is told before it was known"
    circles = [rung.to for rung in rungs if rung.at > max(DUE, it.created_at)]
    assert circles == sorted(circles, key=list(To).index), "the circle never grows smaller"


@pytest.mark.parametrize(
    ("moment", "told"),
    [
        ("2026-06-09T23:00+02:00", "2026-06-10T07:00+02:00"),
        ("2026-06-09T03:00+02:00", "2026-06-09T07:00+02:00"),
        ("2026-06-09T12:00+02:00", "2026-06-09T12:00+02:00"),
        ("2026-10-24T23:00+02:00", "2026-10-25T07:00+01:00"),  # clocks go back in that night
    ],
)
def test_quiet_hours_end_by_the_local_clock(moment: str, told: str) -> None:
    at = dt.datetime.fromisoformat(moment)
    later = out_of_quiet_hours(at, quiet_from=dt.time(21), quiet_until=dt.time(7), zone=BERLIN)
    assert later == dt.datetime.fromisoformat(told)


def test_quiet_hours_within_a_day_and_none_at_all() -> None:
    noon = dt.datetime(2026, 6, 9, 11, 0, tzinfo=dt.UTC)  # 13:00 there
    assert out_of_quiet_hours(noon, quiet_from=dt.time(12), quiet_until=dt.time(14), zone=BERLIN) == noon.replace(
        hour=12
    )
    assert out_of_quiet_hours(noon, quiet_from=None, quiet_until=None, zone=BERLIN) == noon
