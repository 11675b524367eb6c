import datetime as dt

import pytest

from tests.viz.reading import NS, forbidden_attributes, named_and_described, parsed, share, texts, with_class
from viz.balance import LEAST_PX, WIDE_PX, Day, Need, Source, draw_balance


def june(day: int) -> dt.date:
    return dt.date(2026, 6, day)


def days(first: int, last: int, expected: float, low: float, high: float) -> tuple[Day, ...]:
    return tuple(Day(june(day), expected, low, high) for day in range(first, last + 1))


LING = Source("a", "A", "Ling", 1, days(18, 20, 180, 150, 200), (Need(june(20), 140, 180),))
FELL = Source("b", "B", "Fell <b>", 2, days(22, 25, 190, 160, 230), (Need(june(25), 228, 190),))


def drawn(sources: list[Source]):
    return draw_balance(sources, first=june(11), last=june(30), today=june(18), uid="b")


def test_equal_days_are_one_block_on_their_days() -> None:
    root = parsed(drawn([LING]).strips[0].svg)
    blocks = with_class(root, "supply")
    assert [(share(b.get("x", "")), share(b.get("width", ""))) for b in blocks] == [(35, 15)]


def test_all_strips_share_one_scale_of_drones() -> None:
    balance = drawn([LING, FELL])
    ling = with_class(parsed(balance.strips[0].svg), "supply")[0]
    fell = next(node for node in parsed(balance.strips[1].svg).iter(f"{NS}rect") if node.get("fill"))
    assert float(ling.get("height", "")) / float(fell.get("height", "")) == pytest.approx(180 / 190, abs=1e-4)


def test_the_band_runs_from_low_to_high() -> None:
    root = parsed(drawn([LING]).strips[0].svg)
    block, band = with_class(root, "supply")[0], with_class(root, "band")[0]
    unit = float(block.get("height", "")) / 180
    assert float(band.get("height", "")) == pytest.approx(50 * unit, abs=1e-3)
    assert float(band.get("y", "")) == pytest.approx(float(block.get("y", "")) - 20 * unit, abs=1e-3)


def test_a_certain_figure_has_no_band() -> None:
    certain = Source("a", "A", "Ling", 1, days(18, 20, 180, 180, 180))
    assert with_class(parsed(drawn([certain]).strips[0].svg), "band") == []


def test_what_is_short_says_so_in_words_and_by_class() -> None:
    root = parsed(drawn([LING, FELL]).strips[1].svg)
    assert texts(root) == ["needs 228, short 38"]
    assert len(with_class(root, "short")) == 1


def test_enough_is_not_marked_short() -> None:
    root = parsed(drawn([LING]).strips[0].svg)
    assert texts(root) == ["needs 140 of 180"]
    assert with_class(root, "short") == []


@pytest.mark.parametrize("least_px", [LEAST_PX, WIDE_PX])
@pytest.mark.parametrize(
    "needed", [(20, 21, 22), (11, 12, 13, 14), (27, 28, 29, 30), (11, 14, 27, 30), (12, 20, 21, 30), (30,)]
)
def test_labels_stand_in_rows_and_no_line_runs_through_the_words_of_another(
    needed: tuple[int, ...], least_px: float
) -> None:
    crowded = Source(
        "c", "C", "Holm", 3, days(11, 30, 200, 200, 200), tuple(Need(june(day), 100, 200) for day in needed)
    )
    balance = draw_balance([crowded], first=june(11), last=june(30), today=None, uid="b", least_px=least_px)
    root = parsed(balance.strips[0].svg)
    boxes, lines = [], []
    for holder in root.iter(f"{NS}svg"):
        if not holder.get("x"):
            continue
        x = share(holder.get("x", "")) / 100 * least_px
        if (line := holder.find(f"{NS}line")) is not None:
            lines.append((x, float(line.get("y1", "")), float(line.get("y2", ""))))
        if (label := holder.find(f"{NS}text")) is not None:
            start = x + float(label.get("x", ""))
            boxes.append((start, start + len(label.text or "") * 7.4, float(label.get("y", ""))))
    assert len(boxes) == len(lines) == len(needed)
    top = min(float(edge) for node in root.iter(f"{NS}rect") if (edge := node.get("y")))
    for index, (left, right, y) in enumerate(boxes):
        assert left >= 0
        assert right <= least_px
        assert y >= 10
        assert y < top  # above the strip
        for other_left, other_right, other_y in boxes[index + 1 :]:
            assert right <= other_left or other_right <= left or abs(y - other_y) >= 16
        for other, (x, upper, lower) in enumerate(lines):
            assert other == index or not (left < x < right and upper < y < lower)


def test_a_strip_without_needs_has_no_rows_above_it() -> None:
    heights = [
        float(parsed(strip.svg).get("height", ""))
        for strip in drawn([LING, Source("g", "G", "Tarn", 0, days(18, 20, 9, 9, 9))]).strips
    ]
    assert heights[0] - heights[1] == 16


def test_names_are_escaped_and_pictures_are_named() -> None:
    balance = drawn([LING, FELL])
    assert "Fell &lt;b&gt;" in balance.strips[1].svg
    for svg in [balance.axis, *(strip.svg for strip in balance.strips)]:
        assert named_and_described(parsed(svg))
        assert forbidden_attributes(parsed(svg)) == []


def test_the_table_counts_whole_drones_on_the_safe_side() -> None:
    odd = Source("a", "A", "Ling", 1, (), (Need(june(20), 140.2, 150.9), Need(june(21), 20.5, 20.1)))
    assert drawn([odd]).table.rows == (
        ("Sat 20 June", "Ling", "150", "141", "10"),
        ("Sun 21 June", "Ling", "20", "21", "1 short"),
    )


@pytest.mark.parametrize("wrong", [(100, 120, 90), (100, -1, 90), (100, 10, float("nan")), (float("inf"), 1, 2)])
def test_a_band_that_is_none_is_refused(wrong: tuple[float, float, float]) -> None:
    with pytest.raises(ValueError, match="2026-06-18"):
        Day(june(18), *wrong)


def test_a_source_with_nothing_is_an_empty_strip() -> None:
    root = parsed(drawn([Source("g", "G", "Tarn", 0, ())]).strips[0].svg)
    assert with_class(root, "supply") == []
    assert len(with_class(root, "axis")) == 1
