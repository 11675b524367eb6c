import datetime as dt

import pytest

from tests.viz.reading import forbidden_attributes, lines_at, named_and_described, parsed, share, texts, with_class
from viz.season_lines import Line, Step, Window, Words, draw_lines, draw_near


def june(day: int) -> dt.date:
    return dt.date(2026, 6, day)


WINDOW = Window(june(1), june(30), today=june(18), bench_days=(june(20), june(25), dt.date(2026, 7, 4)))
ROWAN = Line(
    "rowan-1",
    'Rowan <1> & "co"',
    "queens",
    (
        Step("graft", dt.date(2026, 5, 29), june(4)),
        Step("cells", june(4), june(12), "mid"),
        Step("ageing", june(12), june(19), "late"),
        Step("ready", june(19), june(25), "now"),
    ),
    places=(june(20),),
)
LING = Line(
    "ling-1",
    "Ling 1",
    "drones",
    (Step("ripening", june(1), june(16), "ripening"), Step("ripe", june(16), june(30), "now")),
)


def test_steps_stand_on_their_days() -> None:
    strip = parsed(draw_lines([ROWAN], WINDOW, uid="l").strips[0].svg)
    bars = [(share(bar.get("x", "")), share(bar.get("width", ""))) for bar in with_class(strip, "step")]
    expected = [(0, 10), (10, 26.667), (36.667, 23.333), (60, 20)]
    assert bars == [pytest.approx(pair, abs=0.001) for pair in expected]


def test_needle_and_bench_days_and_places_stand_in_the_middle_of_their_days() -> None:
    strip = parsed(draw_lines([ROWAN], WINDOW, uid="l").strips[0].svg)
    assert [share(line.get("x1", "")) for line in with_class(strip, "needle")] == [pytest.approx(58.333, abs=0.001)]
    assert lines_at(strip, "bench-day") == [19.5, 24.5]  # of 30 days: 65 and 81.667 %
    diamond = next(node for node in strip.iter() if any("place" in child.get("class", "") for child in node))
    assert share(diamond.get("x", "")) == pytest.approx(65)


def test_names_are_escaped_and_every_picture_is_named() -> None:
    drawn = draw_lines([ROWAN, LING], WINDOW, uid="l")
    assert "Rowan &lt;1&gt; &amp; " in drawn.strips[0].svg
    for svg in [drawn.axis, *(strip.svg for strip in drawn.strips)]:
        root = parsed(svg)
        assert named_and_described(root)
        assert forbidden_attributes(root) == []


def test_ripening_is_hatched_with_a_pattern_of_its_own_strip() -> None:
    drawn = draw_lines([LING, LING], WINDOW, uid="l")
    for index, strip in enumerate(drawn.strips):
        root = parsed(strip.svg)
        assert [bar.get("fill") for bar in with_class(root, "ripening") if bar.get("fill")] == [
            f"url(#l-{index}-ripening)"
        ]
        assert f'id="l-{index}-ripening"' in strip.svg


def test_a_word_that_does_not_fit_its_step_is_left_to_the_table() -> None:
    wide = parsed(draw_lines([ROWAN], WINDOW, uid="l", least_px=700).strips[0].svg)
    narrow = parsed(draw_lines([ROWAN], WINDOW, uid="l", least_px=200).strips[0].svg)
    assert texts(wide) == ["graft", "cells", "ageing", "ready"]
    assert texts(narrow) == ["cells"]


def test_the_table_has_every_step_with_its_last_day_and_its_places() -> None:
    table = draw_lines([ROWAN], WINDOW, uid="l").table
    assert table.rows[3] == ('Rowan <1> & "co"', "ready", "Fri 19 June", "Wed 24 June", "Sat 20 June")
    assert len(table.rows) == 4


def test_the_near_drawing_shows_five_weeks_around_today() -> None:
    near = WINDOW.near()
    assert (near.first, near.last) == (june(4), dt.date(2026, 7, 9))
    strip = parsed(draw_near([ROWAN], WINDOW, uid="n").strips[0].svg)
    assert share(with_class(strip, "step")[0].get("x", "")) == 0
    assert len(lines_at(strip, "bench-day")) == 3


def test_words_come_from_the_caller() -> None:
    words = Words(caption="Saison", day=lambda day: f"{day.day}.{day.month}.", tick=lambda day: f"{day.day}.")
    drawn = draw_lines([ROWAN], WINDOW, uid="l", words=words)
    assert "18.6." in texts(parsed(drawn.axis))
    assert drawn.table.caption == "Saison"


def test_no_lines_give_an_axis_alone() -> None:
    drawn = draw_lines([], WINDOW, uid="l")
    assert drawn.strips == ()
    assert drawn.table.rows == ()
