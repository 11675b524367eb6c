import pytest

from tests.viz.reading import forbidden_attributes, named_and_described, parsed, share, with_class
from viz.interval import Scale, draw_interval, scale_of

SCALE = Scale(-10, 10)


def test_the_bar_runs_over_value_and_error_and_the_dot_stands_at_the_value() -> None:
    root = parsed(draw_interval(6, 2, SCALE, uid="i").svg)
    bar = with_class(root, "whisker")[0]
    assert (share(bar.get("x1", "")), share(bar.get("x2", ""))) == (70, 90)
    assert share(with_class(root, "dot")[0].get("cx", "")) == 80
    assert share(with_class(root, "zero")[0].get("x1", "")) == 50
    assert named_and_described(root)
    assert forbidden_attributes(root) == []


def test_a_bar_that_leaves_the_scale_is_cut_and_has_no_end_there() -> None:
    root = parsed(draw_interval(9, 3, SCALE, uid="i").svg)
    bar, *ends = with_class(root, "whisker")
    assert share(bar.get("x2", "")) == 100
    assert [share(end.get("x1", "")) for end in ends] == [80]


@pytest.mark.parametrize(("value", "error"), [(float("nan"), 1), (1, -0.1), (1, float("inf"))])
def test_numbers_that_are_none_are_refused(value: float, error: float) -> None:
    with pytest.raises(ValueError, match="finite"):
        draw_interval(value, error, SCALE, uid="i")


def test_a_scale_holds_all_bars_and_zero() -> None:
    scale = scale_of([(6, 2), (3, 1)])
    assert scale.low < 0 < 8 < scale.high
    assert scale_of([]).low < 0 < scale_of([]).high


def test_the_table_says_value_error_and_ends() -> None:
    assert draw_interval(-6.1, 2, SCALE, uid="i").table.rows == (("-6.10", "2.00", "-8.10", "-4.10"),)
