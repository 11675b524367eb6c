"""Variance components by average-information REML, started with EM, kept inside by step halving.

References
----------
Gilmour, Thompson & Cullis (1995), 10.2307/2533274; Johnson & Thompson (1995),
10.3168/jds.S0022-0302(95)76654-1.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from breeding.genetics.boundary import Boundary, boundaries_of, smallest_of_correlation, well_conditioned
from breeding.genetics.cholesky import NotPositiveDefiniteError
from breeding.genetics.likelihood import Label, Likelihood, ModelLikelihood, Point
from breeding.genetics.mixed_model import MixedModel
from breeding.genetics.types import Floats, InputError

EM_ROUNDS = 5
# Smallest eigenvalue of a correlation matrix that a step may reach: rounding stays out of the equations.
FLOOR = 1e-7
# Gain of the log-likelihood of an EM round below which the search along a boundary is over.
QUIET = 1e-4


@dataclass(frozen=True)
class Round:
    """One round: parameters, log-likelihood, what kind of step led away from them."""

    theta: Floats
    loglik: float
    step: str


@dataclass(frozen=True)
class RemlResult:
    """Estimates in the order of the model's terms, then the residual.

    covariances, residual : estimated matrices; *_se : standard errors of their elements.
    sampling : (n_parameters, n_parameters). Inverse average information, order of ``labels``.
    told_apart : whether the data distinguish all components; boundaries : the edges they end on.
    drawn : (n_parameters,) or None. What simulated traces add to the standard errors, which hold it already.
    """

    covariances: list[Floats]
    residual: Floats
    covariances_se: list[Floats]
    residual_se: Floats
    sampling: Floats
    labels: list[Label]
    loglik: float
    rounds: int
    converged: bool
    told_apart: bool
    boundaries: tuple[Boundary, ...]
    note: str
    history: list[Round] = field(default_factory=list)
    drawn: Floats | None = None

    @property
    def estimable(self) -> bool:
        """Converged inside the parameter space, every component told from the others."""
        return self.converged and self.told_apart and not self.boundaries


def estimate(
    model: MixedModel | Likelihood,
    covariances: Sequence[npt.ArrayLike],
    R0: npt.ArrayLike,
    *,
    max_rounds: int = 100,
    em_rounds: int = EM_ROUNDS,
    tolerance: float = 1e-6,
    progress: Callable[[int, float], None] | None = None,
) -> RemlResult:
    """Estimate all (co)variances of a model from the given start.

    Parameters
    ----------
    covariances, R0 : start values, as in ``MixedModel.solve``.
    tolerance : change of all parameters, relative to their standard deviations, at which the search ends.
    progress : called each round with its number and the log-likelihood; it may raise to stop.

    Notes
    -----
    Each round solves the equations once, takes traces from the exact inverse elements, and costs one
    solve more per parameter for the average information.
    """
    surface: Likelihood = ModelLikelihood(model) if isinstance(model, MixedModel) else model
    matrices = [np.array(K, dtype=float) for K in (*covariances, R0)]
    labels = [(m, i, j) for m, K in enumerate(matrices) for i in range(len(K)) for j in range(i + 1)]
    here = surface.at(matrices)
    history: list[Round] = []
    converged = False
    stalled = 0
    rounds = 0
    for rounds in range(1, max_rounds + 1):
        theta = _vector(matrices, labels)
        kind = "EM" if rounds <= em_rounds else "AI"
        # The information first: it needs the factor, which the exact traces of the gradients use up.
        information = here.information(labels) if kind == "AI" else np.zeros((0, 0))
        gradients = here.gradients()
        score = score_of(gradients, labels)
        better: tuple[list[Floats], Point] | None = None
        if kind == "AI":
            better = _ai_step(surface, here, matrices, labels, theta, score, information)
            if better is None:
                kind = "factor"
                better = _factor_step(surface, here, matrices, labels, score, gradients, information)
        if better is None:
            kind = "EM"
            made = here.em(gradients)
            if not _inside(made):
                converged = bool(boundaries_of(surface.names, matrices))  # no step is left along the edge
                break
            better = made, surface.at(made)
        history.append(Round(theta, here.loglik, kind))
        if progress is not None:
            progress(rounds, here.loglik)
        changed = float((np.abs(_vector(better[0], labels) - theta) / _scale(matrices, labels)).max())
        gain = better[1].loglik - here.loglik
        matrices, here = better
        quiet = gain < QUIET
        stalled = stalled + 1 if quiet and kind != "AI" and rounds > em_rounds else 0
        if changed < tolerance and rounds > em_rounds:
            converged = True
            break
        if stalled >= 5 and boundaries_of(surface.names, matrices):
            converged = True  # the likelihood no longer rises and its maximum lies on the boundary
            break
    information = here.information(labels)
    sampling = np.linalg.pinv(information, hermitian=True)
    errors = np.sqrt(np.maximum(np.diag(sampling), 0.0))
    se = [np.zeros_like(K) for K in matrices]
    for (m, i, j), error in zip(labels, errors, strict=True):
        se[m][i, j] = se[m][j, i] = error
    told_apart = well_conditioned(information)
    converged = converged and told_apart
    edges = boundaries_of(surface.names, matrices)
    return RemlResult(
        matrices[:-1],
        matrices[-1],
        se[:-1],
        se[-1],
        sampling,
        labels,
        here.loglik,
        rounds,
        converged,
        told_apart,
        edges,
        note_of(edges, rounds, converged=converged, told_apart=told_apart),
        history,
    )


def score_of(gradients: Sequence[Floats], labels: Sequence[Label]) -> Floats:
    """First derivatives per parameter from the symmetric gradients."""
    return np.array([gradients[m][i, j] * (1.0 if i == j else 2.0) for m, i, j in labels])


def _vector(matrices: Sequence[Floats], labels: list[Label]) -> Floats:
    return np.array([matrices[m][i, j] for m, i, j in labels])


def _scale(matrices: Sequence[Floats], labels: list[Label]) -> Floats:
    """What a change of each parameter is measured by: sqrt(K_ii K_jj), at least a little of its residual."""
    R0 = np.diag(matrices[-1])
    made: list[float] = []
    for m, i, j in labels:
        K = matrices[m]
        per_trait = len(K) // len(R0)
        least = [1e-3 * float(R0[k // per_trait]) for k in (i, j)]
        made.append(float(np.sqrt(max(K[i, i], least[0]) * max(K[j, j], least[1]))))
    return np.array(made)


def _matrices(theta: Floats, labels: list[Label], like: Sequence[Floats]) -> list[Floats]:
    made = [np.zeros_like(K) for K in like]
    for (m, i, j), value in zip(labels, theta, strict=True):
        made[m][i, j] = made[m][j, i] = value
    return made


def _ai_step(
    surface: Likelihood,
    here: Point,
    matrices: list[Floats],
    labels: list[Label],
    theta: Floats,
    score: Floats,
    information: Floats,
) -> tuple[list[Floats], Point] | None:
    try:
        direction = np.linalg.solve(information, score)
    except np.linalg.LinAlgError:
        return None
    length = 1.0
    while length > 0.02:
        tried = _matrices(theta + length * direction, labels, matrices)
        found = _accepted(surface, here, tried)
        if found is not None:
            return tried, found
        length *= 0.5
    return None


def _factor_step(
    surface: Likelihood,
    here: Point,
    matrices: list[Floats],
    labels: list[Label],
    score: Floats,
    gradients: list[Floats],
    information: Floats,
) -> tuple[list[Floats], Point] | None:
    """The same step for the Cholesky factors K = LL', which lets K approach the edge of its cone."""
    factors = [np.linalg.cholesky(K) for K in matrices]
    J = np.zeros((len(labels), len(labels)))
    for column, (m, a, b) in enumerate(labels):
        moved = np.zeros_like(matrices[m])
        moved[a] = factors[m][:, b]
        moved = moved + moved.T
        J[:, column] = [moved[i, j] if k == m else 0.0 for k, i, j in labels]
    inner = J.T @ information @ J
    for r, (m, a, b) in enumerate(labels):
        for c, (k, d, e) in enumerate(labels):
            if m == k and b == e:  # curvature of LL' itself: d2K_ad / dL_ab dL_db
                inner[r, c] -= 2.0 * gradients[m][a, d]
    scale = np.diag(np.abs(np.diag(inner)) + 1e-9 * float(np.abs(np.diag(inner)).max()))
    for damping in (1e-3, 1e-2, 1e-1, 1.0, 10.0):
        direction = np.linalg.solve(inner + damping * scale, J.T @ score)
        steps = _lower(direction, labels, matrices)
        tried = [_product(L + step) for L, step in zip(factors, steps, strict=True)]
        found = _accepted(surface, here, tried)
        if found is not None:
            return tried, found
    return None


def _lower(values: Floats, labels: list[Label], like: Sequence[Floats]) -> list[Floats]:
    made = [np.zeros_like(K) for K in like]
    for (m, i, j), value in zip(labels, values, strict=True):
        made[m][i, j] = value
    return made


def _product(L: Floats) -> Floats:
    return np.asarray(L @ L.T)


def _accepted(surface: Likelihood, here: Point, tried: list[Floats]) -> Point | None:
    """The point there, unless a matrix comes too near the edge of its cone or the likelihood falls."""
    if not _inside(tried):
        return None
    try:
        found = surface.at(tried)
    except (InputError, NotPositiveDefiniteError):
        return None
    return found if found.loglik >= here.loglik - 1e-9 * max(1.0, abs(here.loglik)) else None


def _inside(matrices: Sequence[Floats]) -> bool:
    """Whether all matrices keep off the edges of their cones and the residual does not vanish beside the rest."""
    if any(np.diag(K).min() <= 0 or smallest_of_correlation(K) < FLOOR for K in matrices):
        return False
    R0 = np.diag(matrices[-1])
    whole = sum(np.diag(K).reshape(len(R0), -1).sum(axis=1) for K in matrices)
    return bool(np.all(FLOOR * whole <= R0))


def note_of(edges: Sequence[Boundary], rounds: int, *, converged: bool, told_apart: bool) -> str:
    """How a search ended, in words; empty when nothing is to be said."""
    said: list[str] = []
    if not told_apart:
        said.append("these data cannot tell the variance components apart; the values depend on the start")
    elif not converged:
        said.append(f"not converged after {rounds} rounds")
    said += [edge.words() for edge in edges]
    return "; ".join(dict.fromkeys(said))
