from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from breeding.scoring import (
    TRAITS,
    MarkingColour,
    ScoreError,
    SingleScore,
    checked_score,
    marking_colour,
    mites_per_100,
    pin_test_share,
    scores_by_method,
    season_result,
    trait_of,
)

half_points = st.integers(2, 8).map(lambda half: SingleScore(value=Decimal(half) / 2))
whole_points = st.integers(1, 4).map(lambda value: SingleScore(value=Decimal(value)))


@pytest.mark.parametrize(
    ("trait", "score", "field", "text"),
    [
        ("gentleness", SingleScore(value=Decimal("0.5")), "value", "from 1 to 4 points"),
        ("gentleness", SingleScore(value=Decimal("4.5")), "value", "from 1 to 4 points"),
        ("gentleness", SingleScore(value=Decimal("3.25")), "value", "steps of 0.5"),
        ("gentleness", SingleScore(value=Decimal("NaN")), "value", "from 1 to 4 points"),
        ("gentleness", SingleScore(), "value", "Enter a value in points"),
        ("gentleness", SingleScore(value=Decimal(3), part=3, whole=4), "part", "is not counted"),
        ("swarming", SingleScore(value=Decimal("3.5")), "value", "steps of 1"),
        ("honey_yield", SingleScore(value=Decimal("-0.1")), "value", "from 0 to 300 kg"),
        ("pin_test", SingleScore(part=51, whole=50, method="pin"), "part", "Enter 50 or fewer"),
        ("pin_test", SingleScore(part=-1, whole=50, method="pin"), "part", "Enter 0 or more"),
        ("pin_test", SingleScore(part=1, whole=0, method="pin"), "whole", "Enter 1 or more"),
        ("pin_test", SingleScore(whole=50, method="pin"), "part", "number of cells cleaned out"),
        ("pin_test", SingleScore(part=38, method="pin"), "whole", "number of cells killed"),
        ("pin_test", SingleScore(part=38, whole=50), "method", "pin, frozen"),
        ("pin_test", SingleScore(part=38, whole=50, method="guess"), "method", "pin, frozen"),
        ("pin_test", SingleScore(part=38, whole=50, method="pin", hours=Decimal(0)), "hours", "not possible"),
        ("pin_test", SingleScore(value=Decimal(70), part=38, whole=50, method="pin"), "value", "give 76.000 %"),
        ("overwintering", SingleScore(part=120_000, whole=12_000), "part", "Look at both numbers"),
        ("colour", SingleScore(value=Decimal(1)), "trait", "no trait “colour”"),
    ],
)
def test_scores_that_cannot_be_are_refused_at_their_field(
    trait: str, score: SingleScore, field: str, text: str
) -> None:
    with pytest.raises(ScoreError, match=text) as refused:
        checked_score(trait, score)
    assert refused.value.field == field


def test_counts_and_a_matching_value_agree() -> None:
    assert checked_score("pin_test", SingleScore(value=Decimal(76), part=38, whole=50, method="pin")) == 76


def test_a_season_without_scores_has_no_result() -> None:
    assert {key: season_result(key, []) for key in TRAITS} == dict.fromkeys(TRAITS)


def test_ratio_of_a_season_is_sum_over_sum() -> None:
    scores = [SingleScore(part=40, whole=50, method="pin"), SingleScore(part=10, whole=100, method="pin")]

    assert season_result("pin_test", scores) == Decimal("33.333")


def test_a_bad_score_spoils_no_result_silently() -> None:
    with pytest.raises(ScoreError):
        season_result("gentleness", [SingleScore(value=Decimal(3)), SingleScore(value=Decimal(5))])


@given(scores=st.lists(half_points, min_size=1, max_size=12))
def test_a_mean_lies_between_its_scores_and_ignores_their_order(scores: list[SingleScore]) -> None:
    result = season_result("gentleness", scores)
    values = [checked_score("gentleness", score) for score in scores]

    assert result is not None
    assert min(values) <= result <= max(values)
    assert result == season_result("gentleness", scores[::-1])


@given(scores=st.lists(whole_points, min_size=1, max_size=12))
def test_one_bad_visit_decides_swarming(scores: list[SingleScore]) -> None:
    assert season_result("swarming", [*scores, SingleScore(value=Decimal(1))]) == 1


@given(cleaned=st.integers(0, 50), more=st.integers(1, 50))
def test_cleaning_more_cells_never_lowers_the_share(cleaned: int, more: int) -> None:
    better = min(50, cleaned + more)

    assert 0 <= pin_test_share(cleaned, 50) <= pin_test_share(better, 50) <= 1


def test_mites_need_bees() -> None:
    assert mites_per_100(0, 300) == 0
    with pytest.raises(ScoreError, match="0 bees are not possible"):
        mites_per_100(3, 0)


def test_methods_and_reading_times_are_kept_apart() -> None:
    pin = SingleScore(part=38, whole=50, method="pin", hours=Decimal(10))
    again = SingleScore(part=30, whole=50, method="pin", hours=Decimal(10))
    frozen = SingleScore(part=45, whole=50, method="frozen", hours=Decimal(48))

    groups = scores_by_method([pin, frozen, again])

    assert groups == {("pin", Decimal(10)): [pin, again], ("frozen", Decimal(48)): [frozen]}
    assert [season_result("pin_test", scores) for scores in groups.values()] == [68, 90]


@pytest.mark.parametrize("trait", TRAITS.values(), ids=lambda trait: trait.key)
def test_every_anchor_can_be_scored(trait: object) -> None:
    key = getattr(trait, "key")  # noqa: B009
    for anchor in trait_of(key).anchors:
        assert checked_score(key, SingleScore(value=anchor.points)) == anchor.points


@given(year=st.integers(1900, 2200))
def test_marking_colours_repeat_every_five_years_and_never_sooner(year: int) -> None:
    assert marking_colour(year) is marking_colour(year + 5)
    assert {marking_colour(year + step) for step in range(5)} == set(MarkingColour)
