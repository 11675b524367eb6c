"""Volumes and daily losses of sources: measured means, pooled partially over sources with normal errors."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .chances import normal_quantile

Array = NDArray[np.float64]

#: The band that is told: 8 of 10 outcomes lie in it.
LOW, HIGH = 0.1, 0.9
_Z = np.linspace(-2.7, 2.7, 9)
#: How far spreads may lie from the first guess: a factor of e either way is nothing unusual. Our choice.
_SPREAD = 0.9
#: A first guess of a volume's spread is worth so many lots. Our choice.
_CV_LOTS = 10


@dataclass(frozen=True, slots=True)
class Reading:
    """Semen read from the syringe for so many drones of one source. ``ul`` [µl], ``usable`` [drones], ``age`` [d]"""

    source: str
    ul: float
    usable: int
    age: int | None = None

    def __post_init__(self) -> None:
        if self.ul <= 0 or self.usable <= 0:
            raise ValueError(f"readings: {self.source!r} needs ul and usable above 0")


@dataclass(frozen=True, slots=True)
class LearnedMean:
    """A learned quantity of one source with its standard deviation; ``rows`` of its own it was learned from."""

    mean: float
    sd: float
    rows: int = 0

    @property
    def low(self) -> float:
        return self.mean + normal_quantile(LOW) * self.sd

    @property
    def high(self) -> float:
        return self.mean + normal_quantile(HIGH) * self.sd


@dataclass(frozen=True, slots=True)
class LearnedVolume:
    """Volume of a usable drone: mean with its doubt [µl], and the spread between drones as cv [-]."""

    ul: LearnedMean
    cv: float
    usable: int = 0


def learned_volumes(
    readings: Sequence[Reading], sources: Iterable[str], *, prior_ul: float, prior_cv: float
) -> dict[str, LearnedVolume]:
    """Learn the mean volume of each source's usable drones and their spread, pooled partially.

    Parameters
    ----------
    readings : sequence of Reading
        One a lot.
    sources : iterable of str
    prior_ul, prior_cv : float
        Where it starts. [µl], [-]

    Notes
    -----
    A lot's mean over n drones has variance (cv v)² / n about its source's mean. The spread is that of lots about their
    source's mean, n times as large for one drone; it starts as if ten lots had shown ``prior_cv``, first all sources
    together, then each about them. A day's own effect on the volume so counts as spread, which reserves rather more.
    """
    by_source = _by_source(readings)
    squares, freedom = _squares(by_source)
    squared = _squared(squares, freedom, prior_cv)
    wanted = tuple(dict.fromkeys(sources))
    means = pooled_means(
        [(source, ul, variance) for source, _age, ul, variance in volume_rows(readings, prior_ul, prior_cv)],
        wanted,
        **volume_start(prior_ul),
    )
    return {
        source: LearnedVolume(
            means[source],
            math.sqrt((_CV_LOTS * squared + squares.get(source, 0.0)) / (_CV_LOTS + freedom.get(source, 0))),
            sum(lot.usable for lot in by_source.get(source, ())),
        )
        for source in wanted
    }


def volume_rows(
    readings: Sequence[Reading], prior_ul: float, prior_cv: float
) -> list[tuple[str, int | None, float, float]]:
    """Return source, age [d], volume of a drone [µl] and its variance [µl²] of each reading, to learn means from."""
    spread = max(math.sqrt(_squared(*_squares(_by_source(readings)), prior_cv)), 0.01) * prior_ul
    return [(r.source, r.age, r.ul / r.usable, spread**2 / r.usable) for r in readings]


def volume_start(prior_ul: float) -> dict[str, float]:
    """Return where volumes start: the common mean, its doubt, and how far sources lie from it. [µl]"""
    return {"prior_mean": prior_ul, "prior_sd": 0.15 * prior_ul, "between_sd": 0.1 * prior_ul}


def _by_source(readings: Sequence[Reading]) -> dict[str, list[Reading]]:
    found: dict[str, list[Reading]] = {}
    for reading in readings:
        found.setdefault(reading.source, []).append(reading)
    return found


def _squares(by_source: Mapping[str, Sequence[Reading]]) -> tuple[dict[str, float], dict[str, int]]:
    """Return each source's sum of squared deviations of its lots, for one drone, and their degrees of freedom."""
    squares, freedom = {}, {}
    for source, lots in by_source.items():
        middle = sum(lot.ul for lot in lots) / sum(lot.usable for lot in lots)
        squares[source] = sum(lot.usable * (lot.ul / lot.usable / middle - 1) ** 2 for lot in lots)
        freedom[source] = len(lots) - 1
    return squares, freedom


def _squared(squares: Mapping[str, float], freedom: Mapping[str, int], prior_cv: float) -> float:
    return (_CV_LOTS * prior_cv**2 + sum(squares.values())) / (_CV_LOTS + sum(freedom.values()))


def pooled_means(
    rows: Sequence[tuple[str, float, float]],
    sources: Iterable[str],
    *,
    prior_mean: float,
    prior_sd: float,
    between_sd: float,
) -> dict[str, LearnedMean]:
    """Learn a mean for each source from measurements with known variances, pooled partially.

    Parameters
    ----------
    rows : sequence of (source, value, variance)
        Variances above 0.
    sources : iterable of str
        Whose means are wanted.
    prior_mean, prior_sd : float
        The common mean before any row, and its doubt.
    between_sd : float
        First guess of how far sources lie from the common mean.

    Returns
    -------
    dict of source to LearnedMean
        Without any row exactly ``prior_mean``.

    Notes
    -----
    Normal on both levels, so for a given spread between sources everything is closed; the spread is summed over on a
    grid around its first guess, weighed by the likelihood.
    """
    if min(prior_sd, between_sd) <= 0 or any(variance <= 0 for _source, _value, variance in rows):
        raise ValueError("prior_sd, between_sd and all variances must be above 0")
    wanted = list(dict.fromkeys(sources))
    names = sorted({source for source, _value, _variance in rows})
    counts, inverse, sums = dict.fromkeys(names, 0), dict.fromkeys(names, 0.0), dict.fromkeys(names, 0.0)
    for source, value, variance in rows:
        counts[source] += 1
        inverse[source] += 1 / variance
        sums[source] += value / variance
    precision = np.array([inverse[name] for name in names])
    values = np.array([sums[name] for name in names]) / precision
    factors, chances = spreads()
    found: list[tuple[float, float, dict[str, tuple[float, float]]]] = []
    for factor, chance in zip(factors, chances, strict=True):
        between = (between_sd * factor) ** 2
        spread = 1 / precision + between
        weight = 1 / prior_sd**2 + float((1 / spread).sum())
        common = (prior_mean / prior_sd**2 + float((values / spread).sum())) / weight
        log = -0.5 * (np.log(spread).sum() + ((values - common) ** 2 / spread).sum())
        log += -0.5 * (math.log(weight) + (common - prior_mean) ** 2 / prior_sd**2)
        own = precision / (precision + 1 / between)
        means = {name: (own[i] * values[i] + (1 - own[i]) * common, own[i]) for i, name in enumerate(names)}
        of_each = {}
        for name in wanted:
            mean, kept = means.get(name, (common, 0.0))
            of_each[name] = (float(mean), float((1 - kept) * between + (1 - kept) ** 2 / weight))
        found.append((math.log(chance) + float(log), common, of_each))
    top = max(log for log, _common, _each in found)
    weights = np.exp([log - top for log, _common, _each in found])
    weights /= weights.sum()
    learned = {}
    for name in wanted:
        each = np.array([of_each[name] for _log, _common, of_each in found])
        mean = float(weights @ each[:, 0]) if rows else prior_mean
        variance = float(weights @ (each[:, 1] + (each[:, 0] - mean) ** 2))
        learned[name] = LearnedMean(mean, math.sqrt(variance), counts.get(name, 0))
    return learned


@dataclass(frozen=True, slots=True)
class Recounts:
    """Counts of one cohort's living drones on several days, none of them taken. ``counts``: (day, drones)."""

    source: str
    counts: tuple[tuple[int, float], ...] = ()

    def loss(self) -> tuple[float, float] | None:
        """Return the daily loss on the log scale, and how much the days spread [d²]; None with fewer than two days."""
        days = np.array([day for day, drones in self.counts if drones > 0], dtype=np.float64)
        logs = np.array([math.log(drones) for _day, drones in self.counts if drones > 0])
        if len(days) < 2 or float(np.ptp(days)) == 0:
            return None
        apart = days - days.mean()
        spread = float((apart**2).sum())
        return -float((apart * logs).sum()) / spread, spread


def learned_survival(
    recounts: Sequence[Recounts], sources: Iterable[str], *, prior: float, count_cv: float
) -> dict[str, LearnedMean]:
    """Learn each source's losses from recounts of the same cohort.

    Parameters
    ----------
    recounts : sequence of Recounts
        One a cohort; drones that were taken are added back.
    sources : iterable of str
    prior : float
        Daily survival where it starts. [-]
    count_cv : float
        Error of one count. [-]

    Returns
    -------
    dict of source to LearnedMean
        Of the daily loss -log(survival), not below 0. `survival_of_loss` makes a survival of it.

    Notes
    -----
    A cohort's loss is the slope of the log of its counts over the days; its variance that of a count over the spread
    of the days. Losses start a third around the season's figure, and as far from one another. Our choice.
    """
    if not 0 < prior <= 1:
        raise ValueError(f"prior is {prior}, must lie above 0 and up to 1")
    start = -math.log(prior)
    error = math.log1p(max(count_cv, 0.01) ** 2)
    slopes = [(cohort.source, loss) for cohort in recounts if (loss := cohort.loss()) is not None]
    doubt = max(start / 3, 0.003)
    means = pooled_means(
        [(source, slope, error / spread) for source, (slope, spread) in slopes],
        sources,
        prior_mean=start,
        prior_sd=doubt,
        between_sd=doubt,
    )
    return {name: LearnedMean(max(0.0, learned.mean), learned.sd, learned.rows) for name, learned in means.items()}


def survival_of_loss(loss: float) -> float:
    """Return the share of drones alive on the next day. [-]"""
    return math.exp(-max(0.0, loss))


def spreads() -> tuple[Array, Array]:
    """Factors about 1 (their mean) and their chances: a log-normal distribution on a grid."""
    chances = np.exp(-0.5 * _Z**2)
    chances /= chances.sum()
    factors = np.exp(_SPREAD * _Z)
    return factors / float(chances @ factors), chances
