import datetime as dt
import re

import pytest

from tests.viz.reading import forbidden_attributes, lines_at, named_and_described, parsed, share, texts, with_class
from viz.season_rule import Season, april_to_august, draw_rule

FIRST, LAST = april_to_august(2026)
SEASON = Season(
    FIRST,
    LAST,
    today=dt.date(2026, 6, 18),
    bench_days=(dt.date(2026, 6, 20), dt.date(2026, 9, 3)),
    ripe=((dt.date(2026, 5, 1), dt.date(2026, 5, 31)),),
)


def strips(season: Season) -> list[str]:
    return re.findall(r"<svg xmlns.*?</svg>(?=<svg xmlns|$)", draw_rule(season).svg, re.DOTALL)


def test_april_to_august_has_153_days() -> None:
    assert (LAST - FIRST).days + 1 == 153


def test_the_strip_is_drawn_for_wide_and_for_narrow_pages() -> None:
    wide, near = (parsed(svg) for svg in strips(SEASON))
    assert "rule-wide" in wide.get("class", "")
    assert "rule-near" in near.get("class", "")
    for root in (wide, near):
        assert named_and_described(root)
        assert forbidden_attributes(root) == []


def test_ripe_days_bench_days_and_today_stand_on_the_season() -> None:
    wide = parsed(strips(SEASON)[0])
    band = with_class(wide, "ripe-band")[0]
    assert share(band.get("x", "")) == pytest.approx(100 * 30 / 153, abs=0.001)
    assert share(band.get("width", "")) == pytest.approx(100 * 30 / 153, abs=0.001)
    assert len(with_class(wide, "mark")) == 1
    assert share(with_class(wide, "needle")[0].get("x1", "")) == pytest.approx(100 * 78.5 / 153, abs=0.001)


def test_months_are_named_but_not_under_todays_flag() -> None:
    assert texts(parsed(strips(SEASON)[0]))[:5] == ["April", "May", "June", "July", "August"]
    early = Season(FIRST, LAST, today=dt.date(2026, 4, 28))
    assert "May" not in texts(parsed(strips(early)[0]))


def test_a_season_without_today_has_no_needle() -> None:
    wide = parsed(strips(Season(FIRST, LAST))[0])
    assert with_class(wide, "needle") == []
    assert len(lines_at(wide, "tick")) + len(lines_at(wide, "tick-long")) == 153


def test_the_table_is_in_the_order_of_days() -> None:
    assert draw_rule(SEASON).table.rows == (
        ("Drones ripe", "Fri 1 May", "Sat 30 May"),
        ("Bench day", "Sat 20 June", "Sat 20 June"),
        ("Bench day", "Thu 3 September", "Thu 3 September"),
    )
