"""Volumes of lots and doses in whole tenths."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from scheduling.planning.semen import Balance, SourceSemen, add_up, semen_of_dose, split_whole


def test_what_a_lot_holds_is_what_went_in_less_what_went_out() -> None:
    balance = Balance(collected=200, mixed_in=50, dosed=160, mixed_out=20, discarded=10, lost=5, stored=50)
    assert (balance.left, balance.unexplained) == (55, 5)


def test_a_third_each_of_a_dose_of_8_ul_sums_up_to_8_ul() -> None:
    assert split_whole(80, [1, 1, 1]) == [27, 27, 26]


@given(st.integers(0, 10_000), st.lists(st.integers(0, 1_000), min_size=1, max_size=8).filter(lambda w: sum(w) > 0))
def test_parts_always_sum_up_and_miss_their_share_by_less_than_one(total: int, weights: list[int]) -> None:
    parts = split_whole(total, weights)
    assert sum(parts) == total
    assert all(abs(part - total * w / sum(weights)) < 1 for part, w in zip(parts, weights, strict=True))


def test_nothing_cannot_be_split() -> None:
    with pytest.raises(ValueError, match="split_whole"):
        split_whole(10, [0, 0])


def test_a_dose_from_one_source_holds_its_share_of_the_drones() -> None:
    # 120 tenths from 13 drones; a dose of 80 tenths holds two thirds of them.
    assert semen_of_dose(80, {"a": SourceSemen(120, 13)}) == {"a": SourceSemen(80, 9)}


def test_a_dose_from_a_mixture_holds_each_source_in_its_part() -> None:
    lot = {"a": SourceSemen(150, 15), "b": SourceSemen(50, 5), "c": SourceSemen(1, None)}
    assert semen_of_dose(80, lot) == {"a": SourceSemen(60, 6), "b": SourceSemen(20, 2)}


def test_two_doses_add_up_by_source() -> None:
    assert add_up([{"a": SourceSemen(40, 4)}, {"a": SourceSemen(40, 5), "b": SourceSemen(10, None)}]) == {
        "a": SourceSemen(80, 9),
        "b": SourceSemen(10, None),
    }
