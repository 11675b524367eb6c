"""Shares of small groups in order: intervals, the chart of a share with its limits, and a sum that sees a slow slip."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

#: Groups in a row on the worse side of the centre that are a signal: chance does this once in 256.
RUN = 8
#: Odds of a failure that the running sum is tuned to see, against the usual ones. Our choice.
CUSUM_ODDS = 2.0
#: The sum's limit. Our choice: false alarms stay rare in a season of some hundred queens.
CUSUM_LIMIT = 4.5
#: Each tail of the limits: the share that a normal limit of three sigmas leaves beyond.
TAIL = 0.00135


@dataclass(frozen=True, slots=True)
class Group:
    """`good` of `all` queens, in the order of time."""

    good: int
    all: int


@dataclass(frozen=True, slots=True)
class Checked:
    """A group beside its limits; `signal` says why it stands out: "", "low", "high", "run" or "sum"."""

    group: Group
    share: float
    centre: float
    low: float
    high: float
    sum: float
    signal: str


def wilson(good: int, of: int, *, z: float = 1.959963984540054) -> tuple[float, float]:
    """Interval of a share by Wilson's score, 95 % unless z says otherwise.

    Raises
    ------
    ValueError
        When `good` is not between 0 and `of`, or `of` is 0.

    References
    ----------
    Wilson 1927, doi:10.1080/01621459.1927.10502953.
    """
    if not 0 <= good <= of or of < 1:
        raise ValueError("good must be between 0 and a number above 0")
    share, square = good / of, z * z / of
    middle = (share + square / 2) / (1 + square)
    half = z / (1 + square) * math.sqrt(share * (1 - share) / of + square / (4 * of))
    return max(0.0, middle - half), min(1.0, middle + half)


def p_chart(groups: Sequence[Group], *, centre: float | None = None) -> list[Checked]:
    """Return each group with the limits that chance keeps to around the common share.

    Parameters
    ----------
    groups : sequence of Group
        In the order of time, each of one or more queens.
    centre : float, optional
        The share to hold them against, between 0 and 1; the groups' own by default.

    Returns
    -------
    list of Checked

    Raises
    ------
    ValueError
        When a group is empty or has more good ones than all.

    Notes
    -----
    Groups at a bench are small and the share is near 1, where the usual three-sigma limits of a normal
    approximation lie above 1 or below 0 and mislead. The limits here are the binomial's own quantiles with 0.135 % in
    each tail; a group at a limit is within it. Eight groups in a row below the centre are a signal as well, and so is
    the running sum of log odds (Bernoulli CUSUM against twice the odds of a failure), which sees a slow slip early.
    The sum begins anew after it has spoken.

    References
    ----------
    Montgomery, Introduction to Statistical Quality Control, ch. 7 and 9; the sum: Reynolds & Stoumbos 1999,
    doi:10.1080/00224065.1999.11979900.
    """
    if any(not 0 <= one.good <= one.all or one.all < 1 for one in groups):
        raise ValueError("groups need one queen or more, and no more good ones than all")
    if not groups:
        return []
    from scipy import stats  # loads for half a second: only where a chart is drawn

    total = sum(one.all for one in groups)
    middle = sum(one.good for one in groups) / total if centre is None else centre
    good_weight, bad_weight = _weights(middle)
    found, run, total_sum = [], 0, 0.0
    for one in groups:
        share = one.good / one.all
        low, high = (float(stats.binom.ppf(q, one.all, middle)) / one.all for q in (TAIL, 1 - TAIL))
        run = run + 1 if share < middle else 0
        total_sum = max(0.0, total_sum + bad_weight * (one.all - one.good) + good_weight * one.good)
        signal = ""
        if share < low:
            signal = "low"
        elif share > high:
            signal = "high"
        elif total_sum > CUSUM_LIMIT:
            signal = "sum"
        elif run >= RUN:
            signal = "run"
        found.append(Checked(one, share, middle, low, high, total_sum, signal))
        if total_sum > CUSUM_LIMIT:
            total_sum = 0.0
    return found


def _weights(centre: float) -> tuple[float, float]:
    """What one good and one failed queen add to the sum: log likelihood ratios at twice the odds of a failure."""
    failure = min(max(1 - centre, 0.005), 0.995)
    worse = CUSUM_ODDS * failure / (1 - failure + CUSUM_ODDS * failure)
    return math.log((1 - worse) / (1 - failure)), math.log(worse / failure)
