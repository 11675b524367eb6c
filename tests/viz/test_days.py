import datetime as dt

import pytest

from tests.viz.reading import lines_at, parsed, with_class
from viz.days import DayScale, day_month, labels_clear_of_flag, needle, ticks

JUNE = DayScale(dt.date(2026, 6, 1), dt.date(2026, 6, 30))


def test_a_day_stands_where_it_begins_and_the_last_ends_at_100() -> None:
    assert JUNE.days == 30
    assert JUNE.start(dt.date(2026, 6, 1)) == 0
    assert JUNE.start(dt.date(2026, 7, 1)) == 100
    assert JUNE.middle(dt.date(2026, 6, 1)) == pytest.approx(100 / 60)


def test_spans_are_cut_to_the_scale() -> None:
    assert JUNE.span(dt.date(2026, 5, 20), dt.date(2026, 6, 4)) == pytest.approx((0, 10))
    assert JUNE.span(dt.date(2026, 6, 28), dt.date(2026, 7, 9)) == pytest.approx((90, 10))
    assert JUNE.span(dt.date(2026, 5, 1), dt.date(2026, 6, 1)) is None


def test_a_scale_that_runs_backwards_is_refused() -> None:
    with pytest.raises(ValueError, match="before first"):
        DayScale(dt.date(2026, 6, 2), dt.date(2026, 6, 1))


def test_mondays_have_the_long_ticks() -> None:
    root = parsed(ticks(JUNE, bottom=56))
    [long], [short] = with_class(root, "tick-long"), with_class(root, "tick")
    assert long.get("d") == "M0 44V56M7 44V56M14 44V56M21 44V56M28 44V56"
    assert short.get("d", "").startswith("M1 50V56M2 50V56")
    assert len(lines_at(root, "tick")) == 25
    assert (root.get("viewBox"), root.get("preserveAspectRatio")) == ("0 0 30 56", "none")  # a day is a unit


def test_the_flag_turns_to_the_left_at_the_right_edge() -> None:
    early = parsed(needle(JUNE, dt.date(2026, 6, 2), label="Tue 2 June", bottom=56, least_px=320))
    late = parsed(needle(JUNE, dt.date(2026, 6, 29), label="Mon 29 June", bottom=56, least_px=320))
    assert float(with_class(early, "needle-flag")[0].get("x", "")) == 0
    flag = with_class(late, "needle-flag")[0]
    assert float(flag.get("x", "")) == -float(flag.get("width", ""))


def test_no_needle_when_today_is_not_shown() -> None:
    assert needle(JUNE, dt.date(2026, 7, 1), label="x", bottom=56, least_px=320) == ""


def test_labels_give_way_to_the_flag_and_to_each_other() -> None:
    mondays = [day for day in JUNE.each() if day.weekday() == 0]
    roomy = labels_clear_of_flag(JUNE, mondays, day_month, today=dt.date(2026, 6, 14), flag="Sun 14 June", least_px=700)
    tight = labels_clear_of_flag(JUNE, mondays, day_month, today=None, flag="", least_px=150)
    assert roomy == [dt.date(2026, 6, 8), dt.date(2026, 6, 22), dt.date(2026, 6, 29)]
    assert tight == [dt.date(2026, 6, 8), dt.date(2026, 6, 22)]
