"""Shares over time and control charts: where steps, bands and signals lie, and what their tables say."""

from itertools import pairwise

import pytest

from tests.viz.reading import named_and_described, parsed
from viz.control import Point, draw_control
from viz.curve import LABEL_PX, Words
from viz.survival import FOOT, HEIGHT, TOP, Curve, Step, draw_shares, spread

WORDS = Words("Laying", "By day", ("Group", "Day", "Share", "95 %", "Followed"))
STEPS = (Step(0, 0.0, 0.0, 0.0, 10), Step(5, 0.4, 0.2, 0.7, 10), Step(10, 1.0, 0.6, 1.0, 3))


def test_steps_and_their_band_lie_on_the_scale() -> None:
    drawing = draw_shares([Curve("all", STEPS, 10.0)], uid="s", words=WORDS, x_title="days", y_title="share")
    root = parsed(drawing.svg)
    assert named_and_described(root)
    bands = [one for one in root.iter() if one.get("class") == "band"]
    height = HEIGHT - FOOT - TOP
    assert [float(one.get("height") or 0) for one in bands] == pytest.approx([0.5 * height])
    rows = [float(one.get("y2") or 0) for one in root.iter() if one.get("class") == "whisker"]
    assert rows == pytest.approx([HEIGHT - FOOT - height * share for share in (0, 0.4, 0.4, 1.0, 1.0)])
    assert drawing.table.rows[0] == ("all", "0", "0 %", "–", "10")
    assert drawing.table.rows[1] == ("all", "5", "40 %", "20 %–70 %", "10")


def test_two_groups_have_dashes_and_names_instead_of_bands() -> None:
    curves = [Curve("one", STEPS, 12.0), Curve("two <b>", STEPS[:2], 8.0)]
    drawing = draw_shares(curves, uid="s", words=WORDS, x_title="days", y_title="share")
    root = parsed(drawing.svg)
    assert not [one for one in root.iter() if one.get("class") == "band"]
    assert len({one.get("stroke-dasharray") for one in root.iter() if one.get("class") == "whisker"}) == 2
    assert [one.text for one in root.iter() if one.get("class") == "halo"] == ["one", "two <b>"]
    assert len(drawing.table.rows) == 5


def test_names_of_curves_that_end_together_do_not_touch_and_stay_inside() -> None:
    """Four groups of which all live: the names would lie on each other at the top."""
    steps = (Step(0, 1.0, 1.0, 1.0, 9),)
    curves = [Curve(name, steps, 30.0) for name in ("Ling", "Moss", "Sedge", "Rush")]
    root = parsed(draw_shares(curves, uid="s", words=WORDS, x_title="days", y_title="share").svg)
    rows = sorted(float(one.get("y") or 0) for one in root.iter() if one.tag.endswith("svg") and one.get("y"))
    assert len(rows) == 4
    assert min(after - before for before, after in pairwise(rows)) >= LABEL_PX
    assert rows[0] >= TOP
    assert rows[-1] <= HEIGHT - FOOT


@pytest.mark.parametrize(
    ("rows", "wanted"),
    [
        ([10, 50], [10, 50]),
        ([30, 30, 30], [30, 40, 50]),
        ([95, 96, 97], [80, 90, 100]),
        ([-5, 0], [0, 10]),
        ([40, 20], [40, 20]),
    ],
)
def test_rows_move_apart_in_their_order_and_stay_in_their_room(rows: list[float], wanted: list[float]) -> None:
    assert spread(rows, least=10, low=0, high=100) == wanted


def test_curves_beyond_the_four_stand_in_the_table_alone() -> None:
    curves = [Curve(name, STEPS, 12.0) for name in "abcde"]
    drawing = draw_shares(curves[:4], uid="s", words=WORDS, x_title="", y_title="", in_table=curves[4:])
    assert {row[0] for row in drawing.table.rows} == set("abcde")
    assert "e" not in [one.text for one in parsed(drawing.svg).iter() if one.get("class") == "halo"]
    with pytest.raises(ValueError, match="at most 4"):
        draw_shares(curves, uid="s", words=WORDS, x_title="", y_title="")


def test_nothing_to_draw_is_refused() -> None:
    with pytest.raises(ValueError, match="step"):
        draw_shares([], uid="s", words=WORDS, x_title="", y_title="")
    with pytest.raises(ValueError, match="point"):
        draw_control([], uid="c", words=WORDS, y_title="")


def test_what_stands_out_is_ringed_and_named_in_the_table() -> None:
    points = [Point("9 June", 9, 10, 0.9, 0.6, 1.0), Point("11 June", 3, 10, 0.9, 0.6, 1.0, "below its limits")]
    drawing = draw_control(points, uid="c", words=WORDS, y_title="worker brood")
    root = parsed(drawing.svg)
    assert named_and_described(root)
    kinds = [one.get("class") for one in root.iter()]
    assert (kinds.count("dot"), kinds.count("place"), kinds.count("band")) == (2, 1, 2)
    assert drawing.table.rows[1] == ("11 June", "3", "10", "30 %", "60–100 %", "below its limits")
