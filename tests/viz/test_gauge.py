import datetime as dt
import itertools
from xml.etree.ElementTree import Element

import pytest

from tests.viz.reading import forbidden_attributes, named_and_described, parsed, share, texts, with_class
from viz.gauge import LEAST_PX, LETTER_PX, Window, draw_gauge


def june(day: int) -> dt.date:
    return dt.date(2026, 6, day)


ROWAN = Window(start=june(12), ready=june(19), last=june(24), today=june(18))


def test_the_fill_covers_the_window_with_its_last_day() -> None:
    root = parsed(draw_gauge(ROWAN, uid="g").svg)
    fill = with_class(root, "fill-queen")[0]
    assert share(fill.get("x", "")) == pytest.approx(100 * 7 / 15, abs=0.001)
    assert share(fill.get("width", "")) == pytest.approx(100 * 6 / 15, abs=0.001)


def test_there_is_a_tick_for_each_day_but_the_first_and_a_needle_at_today() -> None:
    root = parsed(draw_gauge(ROWAN, uid="g").svg)
    assert len(with_class(root, "tick-long")) == 14
    needle = next(node for node in root.iter() if any("pointer" in child.get("class", "") for child in node))
    assert share(needle.get("x", "")) == pytest.approx(100 * 6.5 / 15, abs=0.001)


def test_the_three_days_are_named_below() -> None:
    assert texts(parsed(draw_gauge(ROWAN, uid="g").svg)) == ["emerged 12 Jun", "ready 19 Jun", "last day 24 Jun"]


def test_the_first_label_gives_way_when_ready_is_close() -> None:
    close = Window(start=june(12), ready=june(14), last=june(24), today=june(13))
    assert texts(parsed(draw_gauge(close, uid="g").svg)) == ["ready 14 Jun", "last day 24 Jun"]


def test_the_first_label_gives_way_when_the_gauge_begins_before_it() -> None:
    near = Window(start=june(14), ready=june(19), last=june(26), today=june(4))
    assert texts(parsed(draw_gauge(near, uid="g").svg)) == ["ready 19 Jun", "last day 26 Jun"]


@pytest.mark.parametrize("today", [-20, -9, 0, 7, 30])
@pytest.mark.parametrize("to_ready", [2, 5, 7, 10, 14])
@pytest.mark.parametrize("open_days", [0, 1, 3, 6, 14])
def test_labels_never_run_into_each_other_on_a_phone(to_ready: int, open_days: int, today: int) -> None:
    days = [june(1) + dt.timedelta(days=number) for number in (0, to_ready, to_ready + open_days, today)]
    window = Window(start=days[0], ready=days[1], last=days[2], today=days[3])
    boxes = [label_box(node) for node in parsed(draw_gauge(window, uid="g").svg).iter() if node.tag.endswith("text")]
    assert 2 <= len(boxes) <= 3
    assert min(left for left, _ in boxes) >= -0.1
    assert max(right for _, right in boxes) <= LEAST_PX + 0.1
    for (_, right), (left, _) in itertools.pairwise(sorted(boxes)):
        assert right <= left


def label_box(node: Element) -> tuple[float, float]:
    """Left and right end in a gauge as narrow as it gets. [px]"""
    left = share(node.get("x", "")) / 100 * LEAST_PX + float(node.get("dx", "0"))
    return left, left + len(node.text or "") * LETTER_PX


def test_the_gauge_grows_until_today_when_the_window_is_past() -> None:
    past = Window(start=june(1), ready=june(8), last=june(12), today=june(20), kind="drone")
    root = parsed(draw_gauge(past, uid="g").svg)
    assert share(with_class(root, "fill-drone")[0].get("width", "")) == pytest.approx(25)
    assert named_and_described(root)
    assert forbidden_attributes(root) == []


def test_days_out_of_order_are_refused() -> None:
    with pytest.raises(ValueError, match="in order"):
        Window(start=june(12), ready=june(10), last=june(24), today=june(18))


def test_the_table_is_in_the_order_of_days() -> None:
    assert draw_gauge(ROWAN, uid="g").table.rows == (
        ("emerged", "12 Jun"), ("today", "18 Jun"), ("ready", "19 Jun"), ("last day", "24 Jun"),
    )  # fmt: skip


def test_the_gauge_keeps_its_size_when_today_is_far_away() -> None:
    for today in (dt.date(2026, 11, 25), dt.date(2026, 3, 1)):
        far = parsed(draw_gauge(Window(june(12), june(19), june(24), today), uid="g").svg)
        assert with_class(far, "pointer") == []
        assert len(with_class(far, "tick-long")) == 14


def test_the_gauge_begins_with_today_when_the_window_is_near() -> None:
    near = parsed(draw_gauge(Window(june(12), june(19), june(24), june(10)), uid="g").svg)
    assert len(with_class(near, "tick-long")) == 16
    assert len(with_class(near, "pointer")) == 1
