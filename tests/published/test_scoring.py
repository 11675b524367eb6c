"""Scales and season rules of the performance test.

Source: Standard methods for rearing and selection of queens, J. Apic. Res. 52(1) 2013,
doi:10.3896/IBRA.1.52.1.07, sections 3.3.2 to 3.3.7 (rows P06 to P13); mites: Standard methods for varroa research,
BEEBOOK vol. II 2013 (row P17); frozen brood: extension fact sheet on the freeze test (row P15).
"""

from decimal import Decimal

import pytest

from breeding.scoring import (
    TRAITS,
    Rule,
    ScoreError,
    SingleScore,
    mites_per_100,
    overwintering_index,
    pin_test_share,
    season_result,
)


def points(*values: str) -> list[SingleScore]:
    return [SingleScore(value=Decimal(value)) for value in values]


def test_swarming_result_is_the_lowest_score() -> None:
    """Row P09; worked example 4, 3, 4, 2."""
    assert season_result("swarming", points("4", "3", "4", "2")) == 2


def test_gentleness_result_is_the_mean() -> None:
    """Row P06; worked example 3, 3.5, 4, 3."""
    assert season_result("gentleness", points("3", "3.5", "4", "3")) == Decimal("3.375")


def test_calmness_result_is_the_mean() -> None:
    assert season_result("calmness", points("2", "3")) == Decimal("2.5")


def test_honey_yields_are_summed_and_kept_to_100_grams() -> None:
    """Row P10."""
    assert season_result("honey_yield", points("12.4", "20.1")) == Decimal("32.5")
    with pytest.raises(ScoreError, match=r"steps of 0\.1"):
        season_result("honey_yield", points("12.45"))


def test_overwintering_index() -> None:
    """Row P11; 16,000 bees in autumn, 12,000 in spring."""
    assert overwintering_index(12_000, 16_000) == Decimal("0.75")


def test_pin_test() -> None:
    """Rows P12, P13; 38 of 50 cells clean: 76 %."""
    assert pin_test_share(38, 50) == Decimal("0.76")
    assert season_result("pin_test", [SingleScore(part=38, whole=50, method="pin")]) == 76


def test_mites_per_100_bees() -> None:
    """Row P17; 43 mites on 310 bees are 13.9. The source prints 14.3, a slip of its arithmetic."""
    assert round(mites_per_100(43, 310), 1) == Decimal("13.9")


def test_two_hygiene_methods_never_make_one_result() -> None:
    """Rows P13 to P16: pin at 7 to 15 hours, frozen brood at 48: method and hours stand with each score."""
    pin = SingleScore(part=38, whole=50, method="pin", hours=Decimal(10))
    frozen = SingleScore(part=38, whole=50, method="frozen", hours=Decimal(48))
    later = SingleScore(part=38, whole=50, method="pin", hours=Decimal(24))

    with pytest.raises(ScoreError, match="two methods"):
        season_result("pin_test", [pin, frozen])
    with pytest.raises(ScoreError, match="two reading times"):
        season_result("pin_test", [pin, later])


@pytest.mark.parametrize(
    ("key", "published"),
    [("gentleness", {4, 3}), ("calmness", {4}), ("swarming", {4, 3, 2, 1})],
)
def test_anchors_say_which_are_published(key: str, published: set[int]) -> None:
    """Rows P07 to P09: anchors 1 and 2 of gentleness and 1 to 3 of calmness are from memory."""
    anchors = TRAITS[key].anchors

    assert [int(anchor.points) for anchor in anchors] == [4, 3, 2, 1]
    assert {int(anchor.points) for anchor in anchors if anchor.is_published} == published


def test_every_trait_has_its_published_scale_and_rule() -> None:
    assert {key: (trait.unit, trait.rule, str(trait.step), trait.high_is_good) for key, trait in TRAITS.items()} == {
        "honey_yield": ("kg", Rule.SUM, "0.1", True),
        "gentleness": ("points", Rule.MEAN, "0.5", True),
        "calmness": ("points", Rule.MEAN, "0.5", True),
        "swarming": ("points", Rule.LOWEST, "1", True),
        "pin_test": ("%", Rule.RATIO, "0.001", True),
        "overwintering": ("ratio", Rule.RATIO, "0.001", True),
        "varroa": ("mites per 100 bees", Rule.RATIO, "0.001", False),
    }
