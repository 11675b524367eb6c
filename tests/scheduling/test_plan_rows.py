"""Parts of a pool as they are kept: they add up to the doses, and no part grows over its cap."""

from decimal import Decimal

from hypothesis import given
from hypothesis import strategies as st

from scheduling.queries.plan_rows import tenths_of_parts


def test_three_thirds_add_up_to_the_whole_dose():
    kept = tenths_of_parts({1: 80 / 3, 2: 80 / 3, 3: 80 / 3})
    assert kept == {1: Decimal("26.66"), 2: Decimal("26.67"), 3: Decimal("26.67")}


@given(st.integers(1, 5000), st.lists(st.floats(0.05, 1.0), min_size=1, max_size=9))
def test_parts_add_up_to_whole_tenths_and_only_the_smallest_takes_what_rounding_leaves(
    tenths: int, weights: list[float]
):
    parts = {number: tenths * weight / sum(weights) for number, weight in enumerate(weights)}
    kept = tenths_of_parts(parts)
    assert sum(kept.values()) == tenths
    away = {number: abs(float(kept[number]) - part) for number, part in parts.items()}
    smallest = min(kept, key=lambda number: (round(parts[number], 2), number))
    assert all(apart <= 0.005 + 1e-9 for number, apart in away.items() if number != smallest)
    assert max(away.values()) <= 0.005 * len(parts) + 1e-9
    assert all(volume == round(volume, 2) for volume in kept.values())


def test_no_parts_are_none():
    assert tenths_of_parts({}) == {}
