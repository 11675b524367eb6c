"""Shares over time, intervals of shares and limits of charts against statsmodels, a published case and plain sums.

The published case: remission of 21 patients under 6-MP, Freireich et al. 1963, doi:10.1182/blood.V21.6.699.699, with
the estimate as textbooks print it (Kalbfleisch & Prentice 2002, doi:10.1002/9781118032985).
"""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from statsmodels.duration.survfunc import SurvfuncRight
from statsmodels.stats.proportion import proportion_confint

from scheduling.planning.control import CUSUM_LIMIT, RUN, TAIL, Group, p_chart, wilson
from scheduling.planning.survival import Seen, kaplan_meier, share_at

DAYS = (6, 6, 6, 6, 7, 9, 10, 10, 11, 13, 16, 17, 19, 20, 22, 23, 25, 32, 32, 34, 35)
EVENTS = (1, 1, 1, 0, 1, 0, 1, 0, 0, 1, 1, 0, 0, 0, 1, 1, 0, 0, 0, 0, 0)
PRINTED = {6: 0.857, 7: 0.807, 10: 0.753, 13: 0.690, 16: 0.627, 22: 0.538, 23: 0.448}


def test_the_printed_case() -> None:
    points = kaplan_meier([Seen(day, bool(event)) for day, event in zip(DAYS, EVENTS, strict=True)])
    assert {int(point.days): round(point.share, 3) for point in points[1:]} == PRINTED
    assert [point.at_risk for point in points[1:]] == [21, 17, 15, 12, 11, 7, 6]
    at_16 = share_at(points, 18.0)
    assert at_16 is not None
    assert at_16.days == 16


queens = st.lists(st.tuples(st.integers(0, 20), st.booleans()), min_size=2, max_size=40)


@given(queens)
def test_shares_and_intervals_are_those_of_statsmodels(rows: list[tuple[int, bool]]) -> None:
    points = kaplan_meier([Seen(days, event) for days, event in rows])
    reference = SurvfuncRight([days for days, _ in rows], [int(event) for _, event in rows])
    shares = {float(t): float(p) for t, p in zip(reference.surv_times, reference.surv_prob, strict=True)}
    errors = {float(t): float(e) for t, e in zip(reference.surv_times, reference.surv_prob_se, strict=True)}
    assert {point.days: point.share for point in points[1:]} == pytest.approx(shares)
    for point in points[1:]:
        if 0 < point.share < 1:
            # the same Greenwood error, put on the log(-log) scale here as there
            theta = errors[point.days] / (point.share * abs(math.log(point.share)))
            low, high = (point.share ** math.exp(sign * 1.959964 * theta) for sign in (1, -1))
            assert (point.low, point.high) == pytest.approx((low, high), rel=1e-6)
            assert 0 <= point.low <= point.share <= point.high <= 1


def test_nobody_and_nonsense() -> None:
    assert kaplan_meier([]) == []
    assert share_at([], 3.0) is None
    with pytest.raises(ValueError, match="not negative"):
        kaplan_meier([Seen(-1, True)])


@given(st.integers(1, 60).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n))))
def test_intervals_of_shares_are_those_of_statsmodels(case: tuple[int, int]) -> None:
    good, of = case
    assert wilson(good, of) == pytest.approx(proportion_confint(good, of, method="wilson"), abs=1e-12)


def test_a_share_of_nobody_has_no_interval() -> None:
    with pytest.raises(ValueError, match="above 0"):
        wilson(0, 0)


def plain_quantile(q: float, n: int, p: float) -> int:
    """The least k with at least q of the chance at or below it, summed term by term."""
    total = 0.0
    for k in range(n + 1):
        total += math.comb(n, k) * p**k * (1 - p) ** (n - k)
        if total >= q:
            return k
    return n


@given(
    st.lists(st.integers(1, 25).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n))), min_size=1, max_size=12)
)
def test_limits_are_the_binomials_own(rows: list[tuple[int, int]]) -> None:
    chart = p_chart([Group(good, of) for good, of in rows], centre=0.87)
    for one in chart:
        n = one.group.all
        assert round(one.low * n) == plain_quantile(TAIL, n, 0.87)
        assert round(one.high * n) == plain_quantile(1 - TAIL, n, 0.87)


def test_a_fall_a_run_and_a_slow_slip_are_signals_and_chance_rarely_is() -> None:
    steady = [Group(9, 10)] * 6
    assert [one.signal for one in p_chart([*steady, Group(3, 10)], centre=0.9)][-1] == "low"
    assert [one.signal for one in p_chart([Group(17, 20)] * 9, centre=0.9)][RUN - 1 :].count("") == 0
    slow = p_chart([Group(8, 10)] * 12, centre=0.92)
    assert "sum" in {one.signal for one in slow}
    assert max(one.sum for one in slow) > CUSUM_LIMIT
    rng = np.random.default_rng(5)
    alarms = [one.signal for one in p_chart([Group(int(k), 12) for k in rng.binomial(12, 0.9, 400)], centre=0.9)]
    assert sum(map(bool, alarms)) < 40


def test_groups_without_queens_are_refused() -> None:
    with pytest.raises(ValueError, match="one queen"):
        p_chart([Group(0, 0)])
