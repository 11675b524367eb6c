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
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from .learning import (
    SHARES,
    Learned,
    LearnedShare,
    Tallied,
    Tally,
    beta_chances,
    counted_of,
    level_part,
    likelihoods,
    logit_spread,
)
from .learning import quantile as quantile_of
from .pooling import HIGH, LOW, Ints, LearnedMean, Measured, spreads

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


def bands_of(ages: Ints) -> Ints:
    """Return the numbers of the bands of many ages; -1 for -1, an age that is not known. ``ages`` [d]"""
    return np.where(ages < 0, -1, np.maximum(0, np.searchsorted(FIRST_AGES, ages, side="right") - 1))


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
    tallies: Sequence[Tally] | Tallied,
    learned: Learned,
    sources: Iterable[str],
    *,
    prior_mean: float,
    prior_kappa: float,
) -> dict[tuple[str, int], LearnedShare]:
    """Learn the usable share of each source's drones of each band of age.

    Parameters
    ----------
    tallies : sequence of Tally, or Tallied
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
    rows, names = Tallied.of(tallies), learned.names
    if (rows.age < 0).all():
        return {}
    place, band_of_row = rows.placed_in(names), bands_of(rows.age)
    kappa = 1 / learned.day - 1
    others = learned.others[:, 1::3] / learned.others[:, 1::3].sum(axis=1, keepdims=True)

    def seen(these: NDArray[np.bool_]) -> Array:
        """Likelihoods of each source's share, shape (sources, coarse shares); the largest of each is 1."""
        counted = counted_of(place[these], rows.usable[these], rows.tried[these], sources=len(names))
        logs = likelihoods(counted, kappa)[:, 1::3]
        return np.asarray(np.maximum(np.exp(logs - logs.max(axis=1, keepdims=True)), _LEAST))

    start = others * seen(band_of_row < 0)
    of_band = {band: seen(aged) for band in range(len(BANDS)) if (aged := band_of_row == band).any()}
    kernels, prior, chances = _kernels(prior_mean, prior_kappa)
    at = {name: i for i, name in enumerate(names)}
    places = np.array([at[name] for name in dict.fromkeys(sources)], dtype=np.intp)
    logs, densities = [], []
    for kernel, chance in zip(kernels, chances, strict=True):
        evidence, found = _densities(start, of_band, kernel, prior, places)
        logs.append(math.log(chance) + evidence)
        densities.append(found)
    weights = np.exp(np.array(logs) - max(logs))
    density = np.einsum("f,fbsq->bsq", weights / weights.sum(), np.array(densities))
    aged, shape = band_of_row >= 0, (len(names), len(BANDS))
    usable, tried = (
        np.bincount((place * shape[1] + band_of_row)[aged], drones[aged], shape[0] * shape[1]).reshape(shape)
        for drones in (rows.usable, rows.tried)
    )
    return {
        (names[at], band): _share(density[band, i], learned.day, int(usable[at, band]), int(tried[at, band]))
        for i, at in enumerate(places)
        for band in range(len(BANDS))
    }


def _relative_entropy(these: Array, others: Array) -> float:
    """Sum of p ln(p / q) [nats]; pages read this module, so it loads no solver's library for one line."""
    some = these > 0
    return float((these[some] * np.log(these[some] / others[some])).sum())


class _Kernel(NamedTuple):
    """Chances of q given p and e, laid out for products: from q, shape (q, e and p), and from p, shape (p, e and q)."""

    from_q: Array
    from_p: Array

    @classmethod
    def of(cls, chances: Array) -> _Kernel:
        """``chances`` : shape (e, p, q)."""
        by_q, by_p = chances.transpose(2, 0, 1), chances.transpose(1, 0, 2)
        return cls(by_q.reshape(len(by_q), -1), by_p.reshape(len(by_p), -1))


@lru_cache(maxsize=4)
def _kernels(prior_mean: float, prior_kappa: float) -> tuple[list[_Kernel], Array, Array]:
    """A kernel for each spread of the sources' own parts; chances of e, and of the spreads.

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
        _Kernel.of(beta_chances(means, np.full(len(means), min(part * factor, 0.9)), _COARSE).reshape(shape))
        for factor in few
    ]
    return kernels, np.asarray(prior / prior.sum()), few_chances


def _densities(
    start: Array, of_band: Mapping[int, Array], kernel: _Kernel, prior: Array, places: NDArray[np.intp]
) -> tuple[float, Array]:
    """Return the log evidence, and the densities of q, shape (bands, wanted sources, coarse shares), for one spread."""
    told = {
        band: np.maximum(seen @ kernel.from_q, _LEAST).reshape(len(seen), len(prior), -1)
        for band, seen in of_band.items()
    }
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
        by_q = (known[places] @ kernel.from_p).reshape(len(places), len(prior), -1)
        of_q = np.einsum("se,seq->sq", worth, by_q)
        found.append(of_q * of_band[band][places] if band in told else of_q)
    densities = np.array(found)
    return evidence, densities / densities.sum(axis=2, keepdims=True)


def _share(density: Array, day: float, usable: int, tried: int) -> LearnedShare:
    mean, square = float(density @ _COARSE), float(density @ _COARSE**2)
    kappa = mean * (1 - mean) / (square - mean**2 + day * (mean - square)) - 1
    low, high = (quantile_of(density, share, _COARSE) for share in (LOW, HIGH))
    return LearnedShare(mean, kappa, low, high, usable, tried)


def means_by_age(
    rows: Sequence[tuple[str, int | None, float, float]] | Measured,
    sources: Iterable[str],
    *,
    prior_mean: float,
    prior_sd: float,
    between_sd: float,
) -> dict[tuple[str, int], LearnedMean]:
    """Learn a mean for each source and band of age from measurements with known variances.

    Parameters
    ----------
    rows : sequence of (source, age, value, variance), or Measured
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
    measured = Measured.of(rows)
    if (measured.age < 0).all():
        return {}
    wanted = list(dict.fromkeys(sources))
    names = list(dict.fromkeys([*wanted, *measured.names]))
    at, ages = {name: i for i, name in enumerate(names)}, len(BANDS)
    band_of_row = bands_of(measured.age)
    place = np.array([at[name] for name in measured.names], dtype=np.int64)[measured.place]
    cell, shape = place * (ages + 1) + np.where(band_of_row < 0, ages, band_of_row), (len(names), ages + 1)

    def summed(of_row: Array | None) -> Array:
        return np.asarray(np.bincount(cell, of_row, shape[0] * shape[1]).reshape(shape))

    inverse, sums = summed(1 / measured.variance), summed(measured.value / measured.variance)
    counts = summed(None)
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
        (name, band): LearnedMean(float(mean_of[i, band]), math.sqrt(variance_of[i, band]), int(counts[i, band]))
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
