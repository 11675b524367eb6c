"""The two distributions behind safe numbers of drones, light enough for a page that shows one.

``scipy.stats`` has both, but takes a second to load; the tests hold these against it.
"""

from __future__ import annotations

import math
from functools import lru_cache
from itertools import accumulate
from statistics import NormalDist


@lru_cache(maxsize=64)  # asked thousands of times for one level
def normal_quantile(probability: float) -> float:
    """Return the quantile of the standard normal distribution; 0 < probability < 1."""
    return NormalDist().inv_cdf(probability)


def beta_binomial_log_chance(successes: int, trials: int, a: float, b: float) -> float:
    """Return the log chance of so many successes when the share is Beta(a, b) distributed."""
    failures = trials - successes
    return (
        math.lgamma(trials + 1) - math.lgamma(successes + 1) - math.lgamma(failures + 1)
        + _log_beta(successes + a, failures + b) - _log_beta(a, b)
    )  # fmt: skip


def beta_binomial_quantile(probability: float, trials: int, a: float, b: float) -> int:
    """Return the smallest number of successes whose cumulated chance reaches the probability."""
    if not 0 <= probability <= 1:
        raise ValueError(f"probability is {probability}, must lie between 0 and 1")
    chances = [math.exp(beta_binomial_log_chance(k, trials, a, b)) for k in range(trials + 1)]
    return next((k for k, below in enumerate(accumulate(chances)) if below >= probability), trials)


def _log_beta(a: float, b: float) -> float:
    return math.lgamma(a) + math.lgamma(b) - math.lgamma(a + b)
