"""What the bench teaches about drones of one age: one level more below each source, pooled partially.

Whether a drone gives semen, and how much, depends on line and age (rows R15 and R21 of the trade facts, published). So
beside each source stand bands of age: what an age adds to all sources alike, and what it adds to this one. Both start
at nothing, so a source of which few drones of an age were tried is like itself at other ages, and like the others at
that age. Where no age is on record, nothing here is asked.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from .learning import SHARES, Learned, LearnedShare, Tally, beta_chances, level_part, likelihoods, logit_spread
from .learning import quantile as quantile_of
from .pooling import HIGH, LOW, LearnedMean, spreads

Array = NDArray[np.float64]

#: First ages of the bands. Usable from 14 days, preferred up to 21, not used above 28: R14, this project's reading of
#: R06 to R13. The days from 14 to 21 are halved, because counts of sperm rise to about day 20 (R10). [d]
FIRST_AGES = (0, 14, 18, 22, 29)
#: Drones of a lot that are further apart than that tell nothing of an age. Our choice. [d]
MOST_APART = 7
#: What an age adds to all sources, and to one source besides, starts as this part of the variance between sources. Our
#: choice: R21 says that both line and age matter, not how much. [-]
AGE_PART = 0.25
_COARSE = SHARES[1::3]  # shares at which an age is reckoned; one and a half per cent apart
_E = np.linspace(-6.0, 6.0, 25)  # effects of an age, in standard deviations of what they start as
_SWEEPS = 3
_LEAST = 1e-60


@dataclass(frozen=True, slots=True)
class AgeBand:
    """Ages from ``first`` up to ``last``; the oldest band has no end. [d]"""

    first: int
    last: int | None


BANDS = tuple(
    AgeBand(first, None if after is None else after - 1)
    for first, after in zip(FIRST_AGES, (*FIRST_AGES[1:], None), strict=True)
)


def band_of(age: int) -> int:
    """Return the number of the band an age belongs to. ``age`` [d]"""
    return max(0, bisect_right(FIRST_AGES, age) - 1)


def age_of_lot(youngest: int | None, oldest: int | None) -> int | None:
    """Return the age that stands for drones of these ages: the middle, rounded down; None where they lie far apart.

    Parameters
    ----------
    youngest, oldest : int or None
        One alone stands for both. [d]
    """
    known = [age for age in (youngest, oldest) if age is not None]
    if not known or max(known) - min(known) > MOST_APART:
        return None
    return sum(known) // len(known)


def shares_by_age(
    tallies: Sequence[Tally], learned: Learned, sources: Iterable[str], *, prior_mean: float, prior_kappa: float
) -> dict[tuple[str, int], LearnedShare]:
    """Learn the usable share of each source's drones of each band of age.

    Parameters
    ----------
    tallies : sequence of Tally
        One a source, session and band of age.
    learned : Learned
        What they teach, ages left aside.
    sources : iterable of str
        Whose shares are wanted.
    prior_mean, prior_kappa : float
        As for `learning.learned_of`.

    Returns
    -------
    dict of (source, band) to LearnedShare
        Every band of every source; empty where no age is on record.

    Notes
    -----
    Source s has the share p, its drones of band a the share q ~ Beta around expit(logit p + e_a), and one day's share
    is Beta around q as before. e_a is normal about 0 and common to all sources; it and the source's own part start as
    `AGE_PART` of a level each. What the others teach of p is taken from `learned`, and so are the days, whose part
    there holds what ages add: rather too large a doubt. p, q and the spread of the sources' own parts are summed over
    on grids. Each e_a is summed over beside what the other bands tell of p, averaged over their own effects, band after
    band, `_SWEEPS` times (mean field: the effects are taken to be independent once the tallies are known).
    """
    rows = [t for t in tallies if t.tried]
    if all(t.age is None for t in rows):
        return {}
    names = learned.names
    at = {name: i for i, name in enumerate(names)}
    kappa = 1 / learned.day - 1
    others = learned.others[:, 1::3] / learned.others[:, 1::3].sum(axis=1, keepdims=True)
    start = others * _seen([t for t in rows if t.age is None], at, kappa)
    of_band = {
        band: _seen(aged, at, kappa)
        for band in range(len(BANDS))
        if (aged := [t for t in rows if t.age is not None and band_of(t.age) == band])
    }
    kernels, prior, chances = _kernels(prior_mean, prior_kappa)
    places = np.array([at[name] for name in dict.fromkeys(sources)], dtype=np.intp)
    logs, densities = [], []
    for kernel, chance in zip(kernels, chances, strict=True):
        evidence, found = _densities(start, of_band, kernel, prior, places)
        logs.append(math.log(chance) + evidence)
        densities.append(found)
    weights = np.exp(np.array(logs) - max(logs))
    density = np.einsum("f,fbsq->bsq", weights / weights.sum(), np.array(densities))
    usable, tried = _counted(rows)
    return {
        (names[place], band): _share(density[band, i], learned.day, usable, tried, (names[place], band))
        for i, place in enumerate(places)
        for band in range(len(BANDS))
    }


def _seen(tallies: Sequence[Tally], at: Mapping[str, int], kappa: float) -> Array:
    """Likelihoods of each source's share, shape (sources, coarse shares); the largest of each is 1."""
    logs = likelihoods([(t.source, t.usable, t.tried) for t in tallies], at, kappa)[:, 1::3]
    return np.asarray(np.maximum(np.exp(logs - logs.max(axis=1, keepdims=True)), _LEAST))


def _relative_entropy(these: Array, others: Array) -> float:
    """Sum of p ln(p / q) [nats]; pages read this module, so it loads no solver's library for one line."""
    some = these > 0
    return float((these[some] * np.log(these[some] / others[some])).sum())


@lru_cache(maxsize=4)
def _kernels(prior_mean: float, prior_kappa: float) -> tuple[list[Array], Array, Array]:
    """Chances of q given p and e, shape (e, p, q), for each spread of the sources' own parts; chances of e, of spreads.

    e is normal with a spread that is itself in doubt, as all spreads are.
    """
    part = level_part(prior_kappa) * AGE_PART
    sd = logit_spread(prior_mean, part)
    factors, chances = spreads()
    prior = chances @ (np.exp(-0.5 * _E**2 / factors[:, None]) / np.sqrt(factors[:, None]))
    logit = np.log(_COARSE / (1 - _COARSE))
    means = (1 / (1 + np.exp(-(logit[None, :] + sd * _E[:, None])))).ravel()
    shape = (len(_E), len(_COARSE), len(_COARSE))
    few, few_chances = factors[1::3], chances[1::3] / chances[1::3].sum()
    kernels = [
        beta_chances(means, np.full(len(means), min(part * factor, 0.9)), _COARSE).reshape(shape) for factor in few
    ]
    return kernels, np.asarray(prior / prior.sum()), few_chances


def _densities(
    start: Array, of_band: Mapping[int, Array], kernel: Array, prior: Array, places: NDArray[np.intp]
) -> tuple[float, Array]:
    """Return the log evidence, and the densities of q, shape (bands, wanted sources, coarse shares), for one spread."""
    told = {band: np.maximum(np.tensordot(seen, kernel, ([1], [2])), _LEAST) for band, seen in of_band.items()}
    after = dict.fromkeys(range(len(BANDS)), prior)
    of_p = {band: np.tensordot(after[band], of_e, ([0], [1])) for band, of_e in told.items()}

    def beside(band: int | None) -> Array:
        """What is known of p from everything but this band; not scaled."""
        return np.asarray(start * np.prod([of_p[other] for other in told if other != band], axis=0))

    def by_e(band: int, known: Array) -> Array:
        return np.asarray(np.einsum("sep,sp->se", told[band], known))

    for _sweep in range(_SWEEPS):
        for band, of_e in told.items():
            logs = np.log(prior) + np.log(by_e(band, beside(band))).sum(axis=0)
            after[band] = np.exp(logs - logs.max())
            after[band] /= after[band].sum()
            of_p[band] = np.tensordot(after[band], of_e, ([0], [1]))
    evidence = float(np.log(beside(None).sum(axis=1)).sum())
    evidence -= sum(_relative_entropy(after[band], prior) for band in told)
    found = []
    for band in range(len(BANDS)):
        known = beside(band)
        worth = after[band] / by_e(band, known)[places] if band in told else np.tile(after[band], (len(places), 1))
        of_q = np.einsum("se,seq->sq", worth, np.tensordot(known[places], kernel, ([1], [1])))
        found.append(of_q * of_band[band][places] if band in told else of_q)
    densities = np.array(found)
    return evidence, densities / densities.sum(axis=2, keepdims=True)


def _counted(rows: Sequence[Tally]) -> tuple[dict[tuple[str, int], int], dict[tuple[str, int], int]]:
    usable: dict[tuple[str, int], int] = {}
    tried: dict[tuple[str, int], int] = {}
    for t in rows:
        if t.age is not None:
            key = t.source, band_of(t.age)
            usable[key], tried[key] = usable.get(key, 0) + t.usable, tried.get(key, 0) + t.tried
    return usable, tried


def _share(
    density: Array,
    day: float,
    usable: Mapping[tuple[str, int], int],
    tried: Mapping[tuple[str, int], int],
    key: tuple[str, int],
) -> LearnedShare:
    mean, square = float(density @ _COARSE), float(density @ _COARSE**2)
    kappa = mean * (1 - mean) / (square - mean**2 + day * (mean - square)) - 1
    low, high = (quantile_of(density, share, _COARSE) for share in (LOW, HIGH))
    return LearnedShare(mean, kappa, low, high, usable.get(key, 0), tried.get(key, 0))


def means_by_age(
    rows: Sequence[tuple[str, int | None, float, float]],
    sources: Iterable[str],
    *,
    prior_mean: float,
    prior_sd: float,
    between_sd: float,
) -> dict[tuple[str, int], LearnedMean]:
    """Learn a mean for each source and band of age from measurements with known variances.

    Parameters
    ----------
    rows : sequence of (source, age, value, variance)
        Variances above 0. [d]
    sources : iterable of str
    prior_mean, prior_sd, between_sd : float
        As for `pooling.pooled_means`.

    Returns
    -------
    dict of (source, band) to LearnedMean
        Every band of every source; empty where no age is on record.

    Notes
    -----
    Value = m + b_s + d_a + x_sa, all normal: the common mean, the source's, the age's, the source's own at that age.
    d and x start with `AGE_PART` of the variance of b each. For given spreads m and d are a linear model with
    correlated errors, and b and x follow from its residuals, in closed form; the spreads are summed over on a grid.
    Rows without an age have neither d nor x.
    """
    if all(age is None for _source, age, _value, _variance in rows):
        return {}
    wanted = list(dict.fromkeys(sources))
    names = list(dict.fromkeys([*wanted, *(row[0] for row in rows)]))
    at, ages = {name: i for i, name in enumerate(names)}, len(BANDS)
    inverse, sums = np.zeros((len(names), ages + 1)), np.zeros((len(names), ages + 1))
    counts: dict[tuple[str, int], int] = {}
    for source, age, value, variance in rows:
        band = ages if age is None else band_of(age)
        inverse[at[source], band] += 1 / variance
        sums[at[source], band] += value / variance
        counts[source, band] = counts.get((source, band), 0) + 1
    values = np.divide(sums, inverse, out=np.zeros_like(sums), where=inverse > 0)
    factors, chances = spreads()
    logs, means, variances = [], [], []
    for b, b_chance in zip(factors, chances, strict=True):
        for x, x_chance in zip(factors, chances, strict=True):
            model = _Linear(inverse, values, between_sd * b, between_sd * x * math.sqrt(AGE_PART), prior_mean, prior_sd)
            logs.append(math.log(b_chance) + math.log(x_chance) + model.log)
            middle, doubt = model.told(len(wanted))
            means.append(middle)
            variances.append(doubt)
    weights = np.exp(np.array(logs) - max(logs))
    weights /= weights.sum()
    mean_of = np.tensordot(weights, np.array(means), 1)
    variance_of = np.tensordot(weights, np.array(variances) + (np.array(means) - mean_of) ** 2, 1)
    return {
        (name, band): LearnedMean(float(mean_of[i, band]), math.sqrt(variance_of[i, band]), counts.get((name, band), 0))
        for i, name in enumerate(wanted)
        for band in range(ages)
    }


class _Linear:
    """The normal model of `means_by_age` for given spreads. Arrays are (sources, bands and one of no age)."""

    def __init__(
        self, inverse: Array, values: Array, between: float, age: float, prior_mean: float, prior_sd: float
    ) -> None:
        self.between, self.own = between**2, age**2
        ages = inverse.shape[1] - 1
        own = np.append(np.full(ages, self.own), 0.0)
        self.w = inverse / (1 + inverse * own)
        self.k = self.between / (1 + self.between * self.w.sum(axis=1))
        self.z = np.hstack([np.ones((ages + 1, 1)), np.eye(ages + 1)[:, :ages]])  # rows to m and d
        precision = np.append(1 / prior_sd**2, np.full(ages, 1 / age**2))
        start = np.append(prior_mean, np.zeros(ages))
        self.r = self.w @ self.z
        wy = self.w * values
        inner = np.diag(precision) + self.z.T @ (self.w.sum(axis=0)[:, None] * self.z)
        inner -= (self.k[:, None] * self.r).T @ self.r
        right = precision * start + self.z.T @ wy.sum(axis=0) - self.r.T @ (self.k * wy.sum(axis=1))
        self.covariance = np.linalg.inv(inner)
        self.theta = self.covariance @ right
        squares = float((wy * values).sum() - (self.k * wy.sum(axis=1) ** 2).sum())
        squares += float(precision @ start**2 - right @ self.theta)
        self.log = -0.5 * float(
            np.log1p(inverse * own).sum()
            + np.log1p(self.between * self.w.sum(axis=1)).sum()
            + squares
            + np.linalg.slogdet(inner)[1]
            - np.log(precision).sum()
        )
        self.values = values

    def told(self, sources: int) -> tuple[Array, Array]:
        """Means and variances of the first sources' bands, shape (sources, bands)."""
        w, k, r = self.w[:sources], self.k[:sources], self.r[:sources]
        ages = w.shape[1] - 1
        residual = self.values[:sources] - self.z @ self.theta
        b = k * (w * residual).sum(axis=1)
        aged = w[:, :ages]
        mean = self.theta[0] + self.theta[1:] + b[:, None] + self.own * aged * (residual[:, :ages] - b[:, None])
        spared = 1 - self.own * aged
        to_theta = spared[:, :, None] * (self.z[None, :ages] - (k[:, None] * r)[:, None, :])
        shared = self.between * w.sum(axis=1)[:, None] + self.own * aged
        known = self.between**2 * w.sum(axis=1)[:, None] + (2 * self.between * self.own + self.own**2) * aged
        given = self.between + self.own - known + k[:, None] * shared**2
        return mean, given + np.einsum("sai,ij,saj->sa", to_theta, self.covariance, to_theta)
