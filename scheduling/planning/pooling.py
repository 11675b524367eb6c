"""Volumes and daily losses of sources: measured means, pooled partially over sources with normal errors."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .chances import normal_quantile

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

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


@dataclass(frozen=True, eq=False, slots=True)
class Readings:
    """Many readings in columns: ``names[place]`` is a reading's source; ``age`` is -1 where none is on record. [d]

    ``names`` : of those sources alone that have a reading.
    """

    names: tuple[str, ...]
    place: Ints
    ul: Array
    usable: Ints
    age: Ints

    @classmethod
    def of(cls, readings: Sequence[Reading] | Readings) -> Readings:
        """In columns, if they are not yet."""
        if isinstance(readings, Readings):
            return readings
        names, place = places_of([reading.source for reading in readings])
        return cls(
            names,
            place,
            np.array([reading.ul for reading in readings], dtype=np.float64),
            np.array([reading.usable for reading in readings], dtype=np.int64),
            np.array([-1 if reading.age is None else reading.age for reading in readings], dtype=np.int64),
        )

    def of_source(self, name: str) -> Readings:
        """Those of one source alone."""
        mine = self.place == (self.names.index(name) if name in self.names else -1)
        names = (name,) if mine.any() else ()
        return Readings(names, np.zeros(mine.sum(), np.int64), self.ul[mine], self.usable[mine], self.age[mine])


@dataclass(frozen=True, eq=False, slots=True)
class Measured:
    """Measurements with known variances in columns, as `Readings` are."""

    names: tuple[str, ...]
    place: Ints
    age: Ints
    value: Array
    variance: Array

    @classmethod
    def of(cls, rows: Sequence[tuple[str, int | None, float, float]] | Measured) -> Measured:
        """From rows (source, age, value, variance), if they are not in columns yet."""
        if isinstance(rows, Measured):
            return rows
        names, place = places_of([row[0] for row in rows])
        age = np.array([-1 if row[1] is None else row[1] for row in rows], dtype=np.int64)
        value, variance = (np.array([row[i] for row in rows], dtype=np.float64) for i in (2, 3))
        return cls(names, place, age, value, variance)


def places_of(names: Sequence[str]) -> tuple[tuple[str, ...], Ints]:
    """Return each name once, in the order in which they come, and the place among these of each that was given."""
    at: dict[str, int] = {}
    place = np.array([at.setdefault(name, len(at)) for name in names], dtype=np.int64)
    return tuple(at), place


def learned_volumes(
    readings: Sequence[Reading] | Readings, sources: Iterable[str], *, prior_ul: float, prior_cv: float
) -> dict[str, LearnedVolume]:
    """Learn the mean volume of each source's usable drones and their spread, pooled partially.

    Parameters
    ----------
    readings : sequence of Reading, or Readings
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
    read = Readings.of(readings)
    squares, freedom = _squares(read)
    squared = _squared(squares, freedom, prior_cv)
    usable = np.bincount(read.place, read.usable, len(read.names))
    at = {name: i for i, name in enumerate(read.names)}
    wanted = tuple(dict.fromkeys(sources))
    means = _pooled(volume_rows(read, prior_ul, prior_cv), wanted, **volume_start(prior_ul))
    found = {}
    for source in wanted:
        i = at.get(source)
        own, lots, drones = (0.0, 0, 0) if i is None else (float(squares[i]), int(freedom[i]), int(usable[i]))
        cv = math.sqrt((_CV_LOTS * squared + own) / (_CV_LOTS + lots))
        found[source] = LearnedVolume(means[source], cv, drones)
    return found


def volume_rows(readings: Sequence[Reading] | Readings, prior_ul: float, prior_cv: float) -> Measured:
    """Return the volume of a drone [µl] and its variance [µl²] of each reading, to learn means from."""
    read = Readings.of(readings)
    spread = max(math.sqrt(_squared(*_squares(read), prior_cv)), 0.01) * prior_ul
    return Measured(read.names, read.place, read.age, read.ul / read.usable, spread**2 / read.usable)


def volume_start(prior_ul: float) -> dict[str, float]:
    """Return where volumes start: the common mean, its doubt, and how far sources lie from it. [µl]"""
    return {"prior_mean": prior_ul, "prior_sd": 0.15 * prior_ul, "between_sd": 0.1 * prior_ul}


def _squares(read: Readings) -> tuple[Array, Ints]:
    """Return each source's sum of squared deviations of its lots, for one drone, and their degrees of freedom."""
    number = len(read.names)
    middle = np.bincount(read.place, read.ul, number) / np.bincount(read.place, read.usable, number)
    apart = np.asarray(read.usable * (read.ul / read.usable / middle[read.place] - 1) ** 2, dtype=np.float64)
    squares = np.bincount(read.place, apart, number).astype(np.float64)
    lots: Ints = np.bincount(read.place, minlength=number)
    return squares, lots - 1


def _squared(squares: Array, freedom: Ints, prior_cv: float) -> float:
    return (_CV_LOTS * prior_cv**2 + float(squares.sum())) / (_CV_LOTS + int(freedom.sum()))


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
    measured = Measured.of([(source, None, value, variance) for source, value, variance in rows])
    wanted = tuple(dict.fromkeys(sources))
    return _pooled(measured, wanted, prior_mean=prior_mean, prior_sd=prior_sd, between_sd=between_sd)


def _pooled(
    rows: Measured, wanted: Sequence[str], *, prior_mean: float, prior_sd: float, between_sd: float
) -> dict[str, LearnedMean]:
    """As `pooled_means`; arrays are (spreads, sources)."""
    number = len(rows.names)
    precision = np.bincount(rows.place, 1 / rows.variance, number)
    values = np.bincount(rows.place, rows.value / rows.variance, number) / precision
    counts = np.bincount(rows.place, minlength=number)
    factors, chances = spreads()
    between = (between_sd * factors[:, None]) ** 2
    spread = 1 / precision + between
    weight = 1 / prior_sd**2 + (1 / spread).sum(axis=1)
    common = (prior_mean / prior_sd**2 + (values / spread).sum(axis=1)) / weight
    logs = np.log(chances) - 0.5 * (np.log(spread) + (values - common[:, None]) ** 2 / spread).sum(axis=1)
    logs -= 0.5 * (np.log(weight) + (common - prior_mean) ** 2 / prior_sd**2)
    weights = np.exp(logs - logs.max())
    weights /= weights.sum()
    at = {name: i for i, name in enumerate(rows.names)}
    place = np.array([at.get(name, number) for name in wanted], dtype=np.int64)
    own = np.hstack([precision / (precision + 1 / between), np.zeros((len(factors), 1))])  # the last: of nobody
    kept = own[:, place]
    means = kept * np.append(values, 0.0)[place] + (1 - kept) * common[:, None]
    variances = (1 - kept) * between + (1 - kept) ** 2 / weight[:, None]
    mean = weights @ means if number else np.full(len(wanted), prior_mean)
    sd = np.sqrt(weights @ (variances + (means - mean) ** 2))
    rows_of = np.append(counts, 0)[place]
    return {name: LearnedMean(float(mean[i]), float(sd[i]), int(rows_of[i])) for i, name in enumerate(wanted)}


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
