import re

import pytest

from tests.viz.reading import forbidden_attributes, named_and_described, parsed, texts, with_class
from viz.capillary import SHOULDER, TOP, draw_capillary


def level(svg: str) -> float:
    path = with_class(parsed(svg), "fill-drone")[0].get("d", "")
    found = re.match(r"M[\d.]+ ([\d.]+)", path)
    assert found
    return float(found[1])


def test_the_fill_ends_at_the_loaded_volume() -> None:
    svg = draw_capillary(loaded_tenths=60, dose_tenths=80, uid="c").svg
    assert level(svg) == pytest.approx(SHOULDER - 0.6 * (SHOULDER - TOP), abs=1e-3)


def test_the_dose_line_stands_at_the_dose_with_its_figure() -> None:
    root = parsed(draw_capillary(loaded_tenths=0, dose_tenths=85, uid="c").svg)
    dose = with_class(root, "dose")[0]
    assert float(dose.get("y", "")) + 3.5 == pytest.approx(SHOULDER - 0.85 * (SHOULDER - TOP), abs=1e-3)
    assert [node.text for node in with_class(root, "dose-text")] == ["8.5"]
    assert "8" not in texts(root)
    assert with_class(root, "fill-drone") == []


def test_a_large_dose_lengthens_the_scale() -> None:
    svg = draw_capillary(loaded_tenths=130, dose_tenths=120, uid="c").svg
    assert level(svg) == pytest.approx(SHOULDER - 130 / 140 * (SHOULDER - TOP), abs=1e-3)
    assert named_and_described(parsed(svg))
    assert forbidden_attributes(parsed(svg)) == []


@pytest.mark.parametrize(("loaded", "dose", "full"), [(-1, 80, 100), (10, -1, 100), (10, 80, 0)])
def test_volumes_that_cannot_be_are_refused(loaded: int, dose: int, full: int) -> None:
    with pytest.raises(ValueError, match="volumes"):
        draw_capillary(loaded_tenths=loaded, dose_tenths=dose, full_tenths=full, uid="c")


def test_the_table_has_both_volumes() -> None:
    assert draw_capillary(loaded_tenths=60, dose_tenths=85, uid="c").table.rows == (("loaded", "6"), ("dose", "8.5"))
