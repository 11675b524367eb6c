"""Counts become stocks, tallies become shares, and nonsense is refused."""

from __future__ import annotations

import math

import pytest

from scheduling.planning.bands import alive_band
from scheduling.planning.supply import (
    Count,
    Emerged,
    Yield,
    after_taking,
    day_weights,
    emerged_from_counts,
    reachable,
    reserve_line,
    safe_drones,
    safe_stock_eq,
    with_those_taken,
)

GIVES = Yield(0.6, 30, 1.0, 0.3)


def test_one_count_is_brought_back_to_the_day_of_emergence():
    found = emerged_from_counts(
        [Count("capped", -5, 1000, 0.1)], emerge_day=0, shares={"capped": 0.9}, survival_per_day=0.96
    )
    assert found is not None
    assert found.mean == pytest.approx(900)
    assert found.cv == pytest.approx(0.1)
    assert found.on(14, 0.96) == pytest.approx(found.mean * 0.96**14)


def test_a_second_count_narrows_and_moves_the_estimate():
    counts = [Count("capped", -5, 1000, 0.2), Count("seen", 10, 400, 0.1)]
    found = emerged_from_counts(counts, emerge_day=0, shares={"capped": 0.9}, survival_per_day=0.96)
    assert found is not None
    assert found.cv < 0.1
    assert 400 / 0.96**10 < found.mean < 900
    low, high = found.quantile(0.1, 14, 0.96), found.quantile(0.9, 14, 0.96)
    assert low < found.on(14, 0.96) < high


@pytest.mark.parametrize("level", [0.5, 0.8, 0.9, 0.95])
@pytest.mark.parametrize("gone", [0.0, 150.0, 900.0])
def test_band_and_stock_are_of_one_distribution(level: float, gone: float):
    emerged = Emerged(1000, 0.12, 0, gone)
    stock = safe_stock_eq(emerged, level=level, survival_per_day=0.96, days=(14, 20))
    assert stock == math.floor(1000 * emerged.quantile(1 - level, 0, 0.96))
    if level == 0.9:
        assert alive_band(emerged, 0, survival_per_day=0.96).low == pytest.approx(stock / 1000, abs=1e-3)
    assert emerged.times(0.8).quantile(1 - level, 9, 0.96) == pytest.approx(0.8 * emerged.quantile(1 - level, 9, 0.96))


def test_no_count_is_not_known_and_a_count_of_nothing_is_nothing():
    assert emerged_from_counts([], emerge_day=0, shares={}, survival_per_day=1.0) is None
    nothing = emerged_from_counts([Count("seen", 1, 0, 0.1)], emerge_day=0, shares={}, survival_per_day=1.0)
    assert nothing == Emerged(0.0, 0.0, 0)


def test_the_safe_stock_is_what_the_exchange_file_holds():
    # 255 drones of day -21 at 0.96 a day are 108.2 on day 0; with a count error of 12 % the safe tenth is 91.562.
    emerged = Emerged(255, 0.12, -21)
    assert safe_stock_eq(emerged, level=0.9, survival_per_day=0.96) == pytest.approx(91_562, abs=5)
    assert day_weights(3, 0.96) == (1000, 1042, 1085)


def test_drones_that_were_taken_are_missing_until_the_next_count_says_so():
    sigma, taken = 0.9, {10: 100}
    all_of_them = Emerged(1000, 0.1, 0)
    left = after_taking(all_of_them, taken, survival_per_day=sigma)
    # On day 12, 1000 x 0.9^12 less the 100 x 0.9^2 that would have lived on.
    assert left.on(12, sigma) == pytest.approx(1000 * sigma**12 - 100 * sigma**2)
    for share in (0.1, 0.5, 0.9):  # taken after the quantile
        whole = all_of_them.quantile(share, 12, sigma)
        assert left.quantile(share, 12, sigma) == pytest.approx(whole - 100 * sigma**2)
    none_left = after_taking(all_of_them, {0: 1050}, survival_per_day=sigma)
    assert (none_left.on(12, sigma), none_left.quantile(0.1, 12, sigma)) == (0, 0)
    assert none_left.quantile(0.9, 0, sigma) == pytest.approx(1000 * (1 + 0.1 * 1.2816) - 1050, abs=0.1)
    # Counted on day 12, after the taking: the count holds as it is, and nothing is taken off twice.
    seen = Count("seen", 12, 180, 0.1)
    made_up = with_those_taken(seen, taken, survival_per_day=sigma)
    assert made_up.drones == 180 + round(100 * sigma**2)
    emerged = emerged_from_counts([made_up], emerge_day=0, shares={}, survival_per_day=sigma)
    assert emerged is not None
    assert after_taking(emerged, taken, survival_per_day=sigma).on(12, sigma) == pytest.approx(180, rel=0.01)
    # Counted before the taking, and brood: nothing to give back.
    assert with_those_taken(Count("seen", 10, 300, 0.1), taken, survival_per_day=sigma).drones == 300
    assert with_those_taken(Count("capped", 12, 300, 0.1), taken, survival_per_day=sigma).drones == 300


@pytest.mark.parametrize("own", [0.90, 0.96, 0.99])
def test_no_day_promises_more_drones_than_live_by_the_source_s_own_losses(own: float):
    from scipy import stats

    emerged, days, level = Emerged(1000, 0.1, -14), (3, 12), 0.9
    stock = safe_stock_eq(emerged, level=level, survival_per_day=own, weighed_per_day=0.96, days=days)
    weights = day_weights(13, 0.96)
    alive = [emerged.on(day, own) * (1 - stats.norm.ppf(level) * 0.1) for day in range(13)]
    promised = [stock / weights[day] for day in range(13)]
    assert all(promised[day] <= alive[day] * 1.001 for day in range(3, 13))
    assert max(promised[day] / alive[day] for day in range(3, 13)) == pytest.approx(1, abs=2e-3)


@pytest.mark.parametrize("level", [0.5, 0.8, 0.9, 0.95])
@pytest.mark.parametrize("volume_ul", [0.5, 8, 60, 150])
def test_the_safe_number_is_the_smallest_that_will_do(level: float, volume_ul: float):
    from scipy import stats

    drones = safe_drones(volume_ul, GIVES, level=level)

    def safe_volume(m: int) -> float:
        mean, sd = GIVES.moments(m)
        return mean - stats.norm.ppf(level) * sd

    assert safe_volume(drones) >= volume_ul - 1e-9
    assert safe_volume(drones - 1) < volume_ul


@pytest.mark.parametrize("level", [0.8, 0.9, 0.95])
def test_the_reserve_line_is_nowhere_below_the_safe_number(level: float):
    slope, fixed = reserve_line(GIVES, level=level, least_ul=8, most_ul=120)
    for ul10 in range(80, 1201, 40):
        reserved = -(-(slope * ul10 + fixed) // 1000)
        assert safe_drones(ul10 / 10, GIVES, level=level) <= reserved <= safe_drones(ul10 / 10, GIVES, level=level) + 4


@pytest.mark.parametrize("level", [0.5, 0.9, 0.99])
def test_a_share_nobody_knows_is_taken_as_sure_as_the_level_needs(level: float):
    wild = Yield(0.3, 2, 1.0, 0.3)
    line = reserve_line(reachable(wild, level=level), level=level, least_ul=8, most_ul=120)
    assert line[0] * 10 / 1000 < 5 / (0.3 * 1.0)
    assert reachable(GIVES, level=0.9) == GIVES


def test_a_level_that_cannot_be_reached_is_refused():
    with pytest.raises(ValueError, match=r"level 0\.999 cannot be reached"):
        safe_drones(10, Yield(0.3, 2, 1.0, 0.3), level=0.999)


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: Yield(0, 30, 1, 0.3), "usable_fraction"),
        (lambda: day_weights(3, 1.2), "survival_per_day"),
        (lambda: reserve_line(GIVES, level=0.9, least_ul=5, most_ul=5), "least_ul"),
    ],
)
def test_nonsense_is_refused_by_name(call, words):
    with pytest.raises(ValueError, match=words):
        call()
