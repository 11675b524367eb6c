"""What the bench's tallies teach about the usable share of each source."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .chances import beta_binomial_log_chance


@dataclass(frozen=True, slots=True)
class LearnedShare:
    """Posterior of a source's usable share: Beta with ``a`` and ``b``."""

    a: float
    b: float

    @property
    def mean(self) -> float:
        return self.a / (self.a + self.b)

    @property
    def kappa(self) -> float:
        return self.a + self.b


def learned_shares(
    tallies: Mapping[str, tuple[int, int]], *, prior_mean: float, prior_kappa: float
) -> dict[str, LearnedShare]:
    """Learn each source's usable share from bench tallies, pooled partially over the sources.

    Parameters
    ----------
    tallies : mapping of source to (usable, tried)
        Drones. [drones]
    prior_mean, prior_kappa : float
        Where the season starts: the trade's share, and how surely it holds for one source. [-]

    Returns
    -------
    dict of source to LearnedShare
        A source without tallies gets what the others teach.

    Notes
    -----
    Empirical Bayes: the mean and the spread between sources maximise the beta-binomial likelihood of all tallies,
    with the starting values as a weak prior (one source's worth of it); each source's posterior is then
    conjugate. With few tallies a source stays near the common mean, with many it speaks for itself.
    """
    for source, (usable, tried) in tallies.items():
        if not 0 <= usable <= tried:
            raise ValueError(f"tallies: {source!r} has {usable} usable of {tried}")
    tried_ones = [(usable, tried) for usable, tried in tallies.values() if tried]
    start = np.array([math.log(prior_mean / (1 - prior_mean)), math.log(prior_kappa)])

    def cost(point: NDArray[np.float64]) -> float:
        mean, kappa = 1 / (1 + math.exp(-point[0])), math.exp(point[1])
        value = sum(beta_binomial_log_chance(k, n, mean * kappa, (1 - mean) * kappa) for k, n in tried_ones)
        return float(-value + 0.5 * ((point - start) ** 2).sum())

    from scipy import optimize  # loads for half a second: only where tallies are learned from

    found = optimize.minimize(cost, start, method="Nelder-Mead").x if tried_ones else start
    mean, kappa = 1 / (1 + math.exp(-found[0])), math.exp(found[1])
    return {
        source: LearnedShare(mean * kappa + usable, (1 - mean) * kappa + tried - usable)
        for source, (usable, tried) in tallies.items()
    }
