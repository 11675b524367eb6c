"""Safe numbers of drones against simulation, exact cases and the published sums."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from scheduling.planning.supply import (
    Band,
    Yield,
    alive_band,
    day_weights,
    learned_share,
    reserve_line,
    safe_drones,
    stock_equivalents,
    sum_bands,
    volume_moments,
)

TYPICAL = Yield(usable_share=0.595, concentration=30, ul_per_drone=1.0, volume_cv=0.3)


def test_mean_and_spread_agree_with_simulation() -> None:
    rng = np.random.default_rng(7)
    share = rng.beta(0.595 * 30, 0.405 * 30, size=200_000)
    usable = rng.binomial(40, share)
    volume = rng.normal(usable, 0.3 * np.sqrt(usable))
    mean, variance = volume_moments(40, TYPICAL)
    assert volume.mean() == pytest.approx(mean, rel=0.005)
    assert volume.var() == pytest.approx(variance, rel=0.02)


@pytest.mark.parametrize("level", [0.8, 0.9, 0.95])
@pytest.mark.parametrize("volume", [8.0, 40.0, 112.0])
def test_the_safe_number_falls_short_no_more_often_than_promised(level: float, volume: float) -> None:
    drones = safe_drones(volume, TYPICAL, service_level=level)
    rng = np.random.default_rng(11)
    share = rng.beta(0.595 * 30, 0.405 * 30, size=100_000)
    usable = rng.binomial(drones, share)
    given_ul = rng.normal(usable, 0.3 * np.sqrt(usable))
    short = (given_ul < volume).mean()
    assert short <= (1 - level) + 0.02


def test_one_drone_fewer_is_not_safe() -> None:
    drones = safe_drones(80.0, TYPICAL, service_level=0.9)
    mean, variance = volume_moments(drones - 1, TYPICAL)
    assert mean - 1.2815515655 * variance**0.5 < 80.0


@given(st.floats(0.3, 0.95), st.floats(10, 200), st.floats(0.5, 1.3), st.floats(0.8, 0.93), st.floats(4.0, 240.0))
def test_the_line_never_lies_below_the_safe_number_by_a_whole_drone(
    share: float, concentration: float, ul: float, level: float, volume: float
) -> None:
    given_ = Yield(share, concentration, ul, 0.3)
    line = reserve_line(given_, service_level=level)
    assert line.drones(volume * 10) >= safe_drones(volume, given_, service_level=level) - 1


def test_the_line_of_a_planning_example() -> None:
    """Example file season-small of the planning model: share 0.626, kappa 30, 1 µl, cv 0.3, level 0.9: 195 and 3777."""
    line = reserve_line(Yield(0.626, 30, 1.0, 0.3), service_level=0.9)
    assert (line.md_per_ul10, line.md_fixed) == (pytest.approx(195, abs=2), pytest.approx(3777, abs=600))


def test_the_stock_of_a_planning_example() -> None:
    """The same file: 824 drones emerged 22 days ago, survival 0.96, count error 12 %: 284.036 safe equivalents."""
    assert stock_equivalents(824, alive_on=-22, daily_survival=0.96, cv=0.12, service_level=0.9) == pytest.approx(
        284_036, abs=60
    )
    assert day_weights(4, daily_survival=0.96) == (1000, 1042, 1085, 1130)


def test_bands_add_up_as_independent_numbers() -> None:
    total = sum_bands([Band(90, 100, 110), Band(180, 200, 220)])
    assert (total.mean, total.low) == (300, pytest.approx(300 - (100 + 400) ** 0.5))


def test_a_band_holds_its_share_of_simulated_drones() -> None:
    rng = np.random.default_rng(3)
    true = rng.normal(500, 60, size=50_000).clip(min=0).round().astype(int)
    alive = rng.binomial(true, 0.96**14)
    band = alive_band(500, days_later=14, daily_survival=0.96, cv=0.12)
    assert ((alive >= band.low) & (alive <= band.high)).mean() == pytest.approx(0.8, abs=0.02)


def test_a_tally_moves_the_share_towards_itself() -> None:
    assert learned_share(0.6, 30, usable=10, tried=30) == (pytest.approx(28 / 60), 60)
