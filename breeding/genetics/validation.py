"""How well predictions hold: against later results, and over the years with their error.

References
----------
Henderson (1975), 10.2307/2529430 (predictions are unbiased: results regress on them with slope 1);
Efron & Stein (1981), 10.1214/aos/1176345462 (jackknife); Sorensen & Kennedy (1986), genetic trend from a mixed
model, J. Dairy Sci. 69 (from memory).
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import sparse

from breeding.genetics.prediction import Prediction
from breeding.genetics.types import Bools, Csr, Floats, InputError, Ints

# Colonies below which predictions are not held against results, and families from which a jackknife is trusted.
FEWEST_COLONIES = 10
FEWEST_FAMILIES = 8


@dataclass(frozen=True, slots=True)
class Held:
    """Predictions of one trait against later results.

    slope : units of result per unit of prediction; 1 when differences come out as large as predicted.
    correlation : of prediction and result within places (-1 to 1).
    families : groups of sisters left out one by one for the errors; 0 when the errors are those of a formula
        that takes colonies for unrelated.
    """

    colonies: int
    places: int
    slope: float
    slope_error: float
    correlation: float
    correlation_error: float
    families: int


def held_against(predicted: Floats, result: Floats, *, place: Ints, family: Ints) -> Held | None:
    """Regress later results on predictions made without them, within places.

    Parameters
    ----------
    predicted, result : (n,), in the trait's unit. NaN leaves a colony out.
    place : (n,). Apiary-year; its mean is taken off both, so that places need not be alike.
    family : (n,). Colonies of sisters share a number; below 0 each colony is a family of its own.

    Returns
    -------
    None where there are fewer than ``FEWEST_COLONIES`` colonies with a neighbour, or predictions do not differ.

    Notes
    -----
    slope = sum(p y) / sum(p^2), correlation = sum(p y) / sqrt(sum(p^2) sum(y^2)) with p, y centred in places.
    Errors: families left out one by one, se^2 = (g - 1)/g sum (t_j - mean t)^2.
    """
    for name, values in (("result", result), ("place", place), ("family", family)):
        if np.shape(values) != np.shape(predicted):
            raise InputError(name, f"must be as long as predicted ({len(predicted)})")
    there = np.isfinite(predicted) & np.isfinite(result)
    _, at, counts = np.unique(place[there], return_inverse=True, return_counts=True)
    alone = counts[at] < 2
    rows = np.flatnonzero(there)[~alone]
    n = len(rows)
    if n < FEWEST_COLONIES:
        return None
    _, at = np.unique(place[rows], return_inverse=True)
    p, y = _centred(predicted[rows], at), _centred(result[rows], at)
    sums = np.stack([p * p, p * y, y * y])
    whole = sums.sum(axis=1)
    if whole[0] <= 1e-20 * max(float(np.max(np.abs(predicted[rows]))) ** 2, 1e-300) * n or whole[2] <= 0:
        return None
    slope, correlation = _statistics(whole)
    places = int(at.max()) + 1
    own = np.where(family[rows] < 0, -1 - np.arange(n), family[rows])
    _, group = np.unique(own, return_inverse=True)
    families = int(group.max()) + 1
    parts = np.stack([np.bincount(group, weights=row, minlength=families) for row in sums])
    left = whole[:, None] - parts
    usable = bool(families >= FEWEST_FAMILIES and (left[0] > 0).all() and (left[2] > 0).all())
    if usable:
        slopes, correlations = left[1] / left[0], left[1] / np.sqrt(left[0] * left[2])
        errors = [_jackknife(slopes), _jackknife(correlations)]
    else:
        free = max(1, n - places - 1)
        errors = [
            float(np.sqrt(max(0.0, whole[2] - slope * whole[1]) / free / whole[0])),
            float((1 - correlation**2) / np.sqrt(free)),
        ]
    return Held(n, places, slope, errors[0], correlation, errors[1], families if usable else 0)


def _statistics(sums: Floats) -> tuple[float, float]:
    return float(sums[1] / sums[0]), float(sums[1] / np.sqrt(sums[0] * sums[2]))


def _centred(values: Floats, at: Ints) -> Floats:
    return np.asarray(values - (np.bincount(at, weights=values) / np.bincount(at))[at])


def _jackknife(values: Floats) -> float:
    g = len(values)
    return float(np.sqrt((g - 1) / g * np.sum((values - values.mean()) ** 2)))


@dataclass(frozen=True)
class Trend:
    """Mean value of the queens born in each year, oldest first; all (n_years,).

    value : in the unit of the contrast, 0 the mean of the reference. error : standard error of that difference.
    change, change_error : straight line through the years, per year; its error is that of prediction alone, not the
        scatter of the years around the line. None with a single year.
    """

    years: Ints
    queens: Ints
    value: Floats
    error: Floats
    change: float | None
    change_error: float | None


def genetic_trend(
    prediction: Prediction, birth_year: Ints, contrasts: Sequence[Floats], *, reference: Ints | None = None
) -> list[Trend]:
    """Trend of each contrast (weights of all effects, (2t,)) over the own genes of the queens.

    Parameters
    ----------
    birth_year : (n_queens,). 0 where not known; those queens take no part.
    reference : rows of the queens whose mean is 0; None keeps the base population.

    Notes
    -----
    Errors are exact: with K the weights of (mean of a year - mean of the reference) over the unknowns, the errors'
    covariance is K' C^-1 K; one solution for each year and effect, no matrix of errors is formed.
    """
    years, counts = np.unique(birth_year[birth_year > 0], return_counts=True)
    if not len(years):
        return []
    rows = _means(birth_year, years)
    base = _mean_of(reference, len(birth_year)) if reference is not None and len(reference) else None
    if base is not None:
        rows = sparse.csr_array(rows - sparse.csr_array(np.ones((len(years), 1))) @ base)
    values = rows @ prediction.of(prediction.queens).value
    V = prediction.joint_errors(rows)
    made = []
    for k in contrasts:
        covariance = np.einsum("i,aibj,j->ab", k, V, k)
        value = values @ k
        change, change_error = _line(years, value, covariance)
        error = np.sqrt(np.maximum(np.diag(covariance), 0.0))
        made.append(Trend(years, counts, np.asarray(value), error, change, change_error))
    return made


def _means(birth_year: Ints, years: Ints) -> Csr:
    born = np.flatnonzero(birth_year > 0)
    at = np.searchsorted(years, birth_year[born])
    weights = 1.0 / np.bincount(at)[at]
    return sparse.csr_array((weights, (at, born)), shape=(len(years), len(birth_year)))


def _mean_of(rows: Ints, n: int) -> Csr:
    weights = np.full(len(rows), 1.0 / len(rows))
    return sparse.csr_array((weights, (np.zeros(len(rows), dtype=np.int64), rows)), shape=(1, n))


def _line(years: Ints, value: Floats, covariance: Floats) -> tuple[float | None, float | None]:
    if len(years) < 2:
        return None, None
    away = years - years.mean()
    c = away / float(away @ away)
    return float(c @ value), float(np.sqrt(max(0.0, float(c @ covariance @ c))))


@dataclass(frozen=True)
class Spread:
    """A number of the queens born in each year, oldest first: its mean, and between what most of them lie."""

    years: Ints
    queens: Ints
    mean: Floats
    low: Floats
    high: Floats


def by_birth_year(values: Floats, birth_year: Ints, *, among: Bools | None = None, inner: float = 0.8) -> Spread:
    """Mean and middle range (``inner`` of the queens) of values by birth year; NaN takes no part."""
    chosen = np.isfinite(values) & (birth_year > 0)
    if among is not None:
        chosen &= among
    years, at, counts = np.unique(birth_year[chosen], return_inverse=True, return_counts=True)
    order = np.argsort(at, kind="stable")
    groups = np.split(values[chosen][order], np.cumsum(counts)[:-1]) if len(years) else []
    ends = np.array([np.quantile(group, [(1 - inner) / 2, (1 + inner) / 2]) for group in groups]).reshape(-1, 2)
    return Spread(years, counts, np.array([group.mean() for group in groups]), ends[:, 0], ends[:, 1])
