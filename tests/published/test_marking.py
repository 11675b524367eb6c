"""Marking colours. Source: international convention as printed by several club pages, all agreeing (rows M01-M05,
common practice); that the colour follows the year of emergence is from memory."""

import pytest

from breeding.scoring import MarkingColour, marking_colour


@pytest.mark.parametrize(
    ("years", "colour"),
    [
        ((2021, 2026, 2031), MarkingColour.WHITE),
        ((2022, 2027), MarkingColour.YELLOW),
        ((2023, 2028), MarkingColour.RED),
        ((2024, 2029), MarkingColour.GREEN),
        ((2020, 2025, 2030), MarkingColour.BLUE),
    ],
)
def test_colour_follows_the_last_digit_of_the_year(years: tuple[int, ...], colour: MarkingColour) -> None:
    assert {marking_colour(year) for year in years} == {colour}
