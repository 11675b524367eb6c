"""Bands of drones: quantiles of what was counted, sums as of independent numbers."""

import numpy as np
import pytest

from scheduling.planning.bands import Band, alive_band, less, sum_bands
from scheduling.planning.supply import Emerged


def test_eight_of_ten_outcomes_lie_inside_the_band() -> None:
    emerged = Emerged(500, 0.12, day=-14)
    sigma = np.sqrt(np.log1p(0.12**2))
    true = np.random.default_rng(3).lognormal(np.log(500) - sigma**2 / 2, sigma, size=50_000)
    alive = true * 0.96**14
    band = alive_band(emerged, 0, survival_per_day=0.96)
    assert band.mean == pytest.approx(500 * 0.96**14)
    assert ((alive >= band.low) & (alive <= band.high)).mean() == pytest.approx(0.8, abs=0.01)


def test_half_widths_of_independent_numbers_add_by_their_squares() -> None:
    total = sum_bands([Band(90, 100, 110), Band(180, 200, 220)])
    assert (total.low, total.mean, total.high) == pytest.approx((300 - 500**0.5, 300, 300 + 500**0.5))


def test_nothing_is_left_below_nothing() -> None:
    assert less(Band(90, 100, 110), 105) == Band(0, 0, 5)
    assert sum_bands([]) == Band(0, 0, 0)
