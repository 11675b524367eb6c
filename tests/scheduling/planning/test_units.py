from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from scheduling.planning.units import tenths_from_ul, ul_from_tenths


@pytest.mark.parametrize(
    ("volume", "tenths"),
    [("8,5", 85), ("8.5", 85), (" 8 ", 80), ("0", 0), ("8.50", 85), (Decimal("18"), 180), (Decimal("0.1"), 1)],
)
def test_volumes_become_whole_tenths(volume: Decimal | str, tenths: int) -> None:
    assert tenths_from_ul(volume) == tenths


@pytest.mark.parametrize(
    ("volume", "text"),
    [
        ("8.55", "finer than 0.1"),
        (Decimal("0.01"), "finer than 0.1"),
        ("eight", "is no volume"),
        ("", "is no volume"),
        ("NaN", "is no volume"),
        ("Infinity", "is no volume"),
        ("1,000.5", "is no volume"),
        ("-1", "less than nothing"),
    ],
)
def test_volumes_that_cannot_be_are_refused(volume: Decimal | str, text: str) -> None:
    with pytest.raises(ValueError, match=text):
        tenths_from_ul(volume)


@given(tenths=st.integers(0, 10_000))
def test_tenths_survive_the_way_to_people_and_back(tenths: int) -> None:
    assert tenths_from_ul(ul_from_tenths(tenths)) == tenths
    assert tenths_from_ul(str(ul_from_tenths(tenths)).replace(".", ",")) == tenths


def test_whole_volumes_keep_their_decimal() -> None:
    assert str(ul_from_tenths(80)) == "8.0"
