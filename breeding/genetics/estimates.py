"""Heritabilities and correlations of estimated components, with standard errors by the delta method."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from breeding.genetics.parameters import MEAN_A_WW, Components, heritabilities_of
from breeding.genetics.reml import RemlResult
from breeding.genetics.types import Floats


@dataclass(frozen=True, slots=True)
class WithError:
    value: float
    se: float


@dataclass(frozen=True, slots=True)
class EstimatedHeritabilities:
    worker: WithError
    queen: WithError
    correlation: WithError


def estimated_heritabilities(
    result: RemlResult, trait: int = 0, *, mean_a_ww: float = MEAN_A_WW
) -> EstimatedHeritabilities:
    """Heritabilities of one trait from estimated components; the genetic term comes first in the model.

    A permanent colony effect counts with the residual.
    """
    own = 2 * trait

    def of(matrices: list[Floats]) -> Floats:
        G, rest = matrices[0], sum(float(K[trait, trait]) for K in matrices[1:])
        found = heritabilities_of(
            Components(float(G[own, own]), float(G[own, own + 1]), float(G[own + 1, own + 1]), rest),
            mean_a_ww=mean_a_ww,
        )
        return np.array([found.worker, found.queen, found.correlation])

    value, se = delta(result, of)
    worker, queen, correlation = (WithError(float(v), float(s)) for v, s in zip(value, se, strict=True))
    return EstimatedHeritabilities(worker, queen, correlation)


def delta(result: RemlResult, function: Callable[[list[Floats]], Floats]) -> tuple[Floats, Floats]:
    """Value and standard error of a function of the components, both (k,).

    function : takes the term covariances and the residual, returns (k,).
    """
    matrices = [*result.covariances, result.residual]
    value = function(matrices)
    slopes = np.empty((len(value), len(result.labels)))
    for column, (m, i, j) in enumerate(result.labels):
        step = 1e-5 * float(np.sqrt(matrices[m][i, i] * matrices[m][j, j]))
        ends: list[Floats] = []
        for sign in (1.0, -1.0):
            moved = [K.copy() for K in matrices]
            moved[m][i, j] += sign * step
            if i != j:
                moved[m][j, i] += sign * step
            ends.append(function(moved))
        slopes[:, column] = (ends[0] - ends[1]) / (2 * step)
    variance = np.einsum("ki,ij,kj->k", slopes, result.sampling, slopes)
    return value, np.sqrt(np.maximum(variance, 0.0))
