"""Curves over a common scale, and the bar of a range: where the points lie, what the table says, what is refused."""

import math
from dataclasses import replace

import pytest

from tests.viz.reading import named_and_described, parsed, texts
from viz.curve import FOOT, HEIGHT, LEFT, RIGHT, TOP, Axis, Line, Mark, Words, draw_curve, ticks
from viz.interval import Scale
from viz.interval import Words as SpanWords
from viz.span import draw_span

WORDS = Words("Gain", "From here to there", ("x", "y"))


def test_ticks_are_round_and_hold_both_ends() -> None:
    assert ticks(0.3, 9.4) == [0, 2, 4, 6, 8, 10]
    assert ticks(0.1029, 0.25) == pytest.approx([0.1, 0.15, 0.2, 0.25])
    assert ticks(2019, 2025)[0] <= 2019
    assert ticks(2019, 2025)[-1] >= 2025
    assert len(ticks(3, 3)) >= 2
    with pytest.raises(ValueError, match="finite"):
        ticks(0, math.nan)


def test_points_lie_on_the_scale_and_in_the_table() -> None:
    drawing = draw_curve(
        [Line("best", ((0.0, 0.0), (10.0, 1.0)))], Axis("x", 1, 0), Axis("y", 1, 1), uid="c", words=WORDS,
        marks=[Mark(5.0, 0.5, "here & now")],
    )  # fmt: skip
    root = parsed(drawing.svg)
    dots = [e for e in root.iter() if e.get("class") == "dot"]
    assert [dot.get("cx") for dot in dots] == [f"{LEFT:g}%", f"{RIGHT:g}%"]
    assert [float(dot.get("cy") or 0) for dot in dots] == [HEIGHT - FOOT, TOP]
    assert named_and_described(root)
    [place] = [e for e in root.iter() if e.get("class") == "place"]
    assert place is not None
    assert "here &amp; now" in drawing.svg
    assert drawing.table.rows == (("0", "0.0"), ("10", "1.0"))


def test_two_lines_are_told_apart_by_their_dashes_and_names() -> None:
    lines = [Line("one", ((1.0, 1.0), (2.0, 2.0))), Line("two", ((1.0, 2.0),))]
    drawing = draw_curve(lines, Axis("x"), Axis("y"), uid="c", words=WORDS, zero=True)
    strokes = [e for e in parsed(drawing.svg).iter() if e.get("class") == "whisker"]
    assert [stroke.get("stroke-dasharray") for stroke in strokes] == [None]
    texts = [e.text for e in parsed(drawing.svg).iter() if e.get("class") == "halo"]
    assert texts == ["one", "two"]
    assert drawing.table.rows == (("1.0", "1.0", "2.0"), ("2.0", "2.0", "–"))


@pytest.mark.parametrize("lines", [[], [Line("none", ())], [Line("bad", ((0.0, math.nan),))]])
def test_a_curve_needs_points(lines: list[Line]) -> None:
    with pytest.raises(ValueError, match="point"):
        draw_curve(lines, Axis("x"), Axis("y"), uid="c", words=WORDS)


def test_a_span_with_its_limits() -> None:
    drawing = draw_span(
        50, 75, 100, Scale(0, 100), uid="s", words=SpanWords("V", ("Mean", "Low", "High")), say="{:.0f} %", limits=(85,)
    )
    root = parsed(drawing.svg)
    assert [e.get("cx") for e in root.iter() if e.get("class") == "dot"] == ["75%"]
    assert [e.get("x1") for e in root.iter() if e.get("class") == "zero"] == ["85%"]
    assert drawing.table.rows == (("75 %", "50 %", "100 %"),)
    with pytest.raises(ValueError, match="not above"):
        draw_span(2, 1, 0, Scale(0, 1), uid="s", words=SpanWords("V", ("a", "b", "c")))


def test_numbers_are_written_as_the_reader_writes_them() -> None:
    words = replace(WORDS, number=lambda value, places: f"{value:.{places}f}".replace(".", ","))
    drawing = draw_curve([Line("best", ((0, 0.5), (1, 1.5)))], Axis("x"), Axis("y"), uid="c", words=words)
    assert drawing.table.rows == (("0,0", "0,5"), ("1,0", "1,5"))
    assert {"0,4", "1,2"} <= set(texts(parsed(drawing.svg)))
