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
from scipy import sparse

from breeding.genetics.cholesky import NotPositiveDefiniteError
from breeding.genetics.mixed_model import MixedModel, Solution
from breeding.genetics.types import Floats, InputError

EM_ROUNDS = 5
# Smallest eigenvalue of a correlation matrix below which it counts as lying on the boundary.
BOUNDARY = 2e-3
# Smallest eigenvalue of a correlation matrix that a step may reach: rounding stays out of the equations.
FLOOR = 1e-7
# Gain of the log-likelihood of an EM round below which the search along a boundary is over.
QUIET = 1e-4
# Smallest eigenvalue of the scaled information below which components cannot be told apart.
SINGULAR = 1e-9


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
    """

    covariances: list[Floats]
    residual: Floats
    covariances_se: list[Floats]
    residual_se: Floats
    sampling: Floats
    labels: list[tuple[int, int, int]]
    loglik: float
    rounds: int
    converged: bool
    note: str
    history: list[Round] = field(default_factory=list)


def estimate(
    model: MixedModel,
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
    tolerance : relative change of all parameters at which the search ends.

    Notes
    -----
    Each round solves the equations once, takes traces from the exact inverse elements, and costs one
    solve more per parameter for the average information.
    """
    n_terms = len(model.terms)
    matrices = [np.array(K, dtype=float) for K in (*covariances, R0)]
    labels = [(m, i, j) for m, K in enumerate(matrices) for i in range(len(K)) for j in range(i + 1)]
    fit = model.solve(matrices[:-1], matrices[-1])
    history: list[Round] = []
    converged = False
    stalled = 0
    rounds = 0
    for rounds in range(1, max_rounds + 1):
        theta = _vector(matrices, labels)
        score, gradients = _score(fit, labels)
        information = _information(fit, labels)
        kind = "EM" if rounds <= em_rounds else "AI"
        better: tuple[list[Floats], Solution] | None = None
        if kind == "AI":
            better = _ai_step(model, fit, matrices, labels, theta, score, information)
            if better is None:
                kind = "factor"
                better = _factor_step(model, fit, matrices, labels, score, gradients, information)
        if better is None:
            kind = "EM"
            better = _em_step(model, fit, matrices, gradients)
        history.append(Round(theta, fit.loglik, kind))
        if progress is not None:
            progress(rounds, fit.loglik)
        changed = float(np.abs(_vector(better[0], labels) - theta).max() / np.abs(theta).max())
        gain = better[1].loglik - fit.loglik
        matrices, fit = better
        quiet = gain < QUIET
        stalled = stalled + 1 if quiet and kind != "AI" and rounds > em_rounds else 0
        if changed < tolerance and rounds > em_rounds:
            converged = True
            break
        if stalled >= 5 and _boundary(matrices, n_terms):
            converged = True  # the likelihood no longer rises and its maximum lies on the boundary
            break
    information = _information(fit, labels)
    sampling = np.linalg.pinv(information, hermitian=True)
    errors = np.sqrt(np.maximum(np.diag(sampling), 0.0))
    se = [np.zeros_like(K) for K in matrices]
    for (m, i, j), error in zip(labels, errors, strict=True):
        se[m][i, j] = se[m][j, i] = error
    told_apart = _well_conditioned(information)
    converged = converged and told_apart
    note = _note(model, matrices, rounds, converged=converged, told_apart=told_apart)
    return RemlResult(
        matrices[:-1],
        matrices[-1],
        se[:-1],
        se[-1],
        sampling,
        labels,
        fit.loglik,
        rounds,
        converged,
        note,
        history,
    )


def _vector(matrices: Sequence[Floats], labels: list[tuple[int, int, int]]) -> Floats:
    return np.array([matrices[m][i, j] for m, i, j in labels])


def _matrices(theta: Floats, labels: list[tuple[int, int, int]], like: Sequence[Floats]) -> list[Floats]:
    made = [np.zeros_like(K) for K in like]
    for (m, i, j), value in zip(labels, theta, strict=True):
        made[m][i, j] = made[m][j, i] = value
    return made


def _score(fit: Solution, labels: list[tuple[int, int, int]]) -> tuple[Floats, list[Floats]]:
    """First derivatives per parameter, and as symmetric matrices dL/dK (off-diagonals half)."""
    model, inverse = fit.model, fit.inverse
    gradients: list[Floats] = []
    for k, (term, q) in enumerate(zip(model.terms, model.sizes, strict=True)):
        U = fit.effects(k)
        sums = U.T @ (term.precision @ U)
        start, stop = model.starts[k], model.starts[k + 1]
        part = inverse[start:stop, start:stop]
        for i in range(q):
            for j in range(q):
                block = part[i::q, j::q]
                sums[i, j] += float(term.precision.multiply(block).sum())
        Ki = fit.K_inverse[k]
        gradients.append(-0.5 * (term.n_levels * Ki - Ki @ sums @ Ki))
    gradients.append(_residual_gradient(fit))
    score = np.array([gradients[m][i, j] * (1.0 if i == j else 2.0) for m, i, j in labels])
    return score, gradients


def _residual_gradient(fit: Solution) -> Floats:
    """dL/dR0 summed over records, each in the traits it has."""
    model = fit.model
    t = model.n_traits
    total = np.zeros((t, t))
    scaled = fit.R_inverse @ fit.residuals
    leverage = sparse.csr_array(fit.R_inverse @ model.W)
    spread = sparse.csr_array(leverage @ fit.inverse)
    for traits, where in model.recorded_patterns():
        Ri = np.linalg.inv(fit.R0[np.ix_(traits, traits)])
        r = scaled[where]
        part = -0.5 * (len(where) * Ri - r.T @ r)
        for a in range(len(traits)):
            left = spread[where[:, a]]
            for b in range(len(traits)):
                # trace of C^-1 W'R^-1 dR R^-1 W: elements inside the pattern only
                part[a, b] += 0.5 * float(left.multiply(leverage[where[:, b]]).sum())
        total[np.ix_(traits, traits)] += part
    return total


def _information(fit: Solution, labels: list[tuple[int, int, int]]) -> Floats:
    """Average information 1/2 f_k' P f_l with f_k = dV/dtheta_k P y."""
    model = fit.model
    n_terms = len(model.terms)
    columns: list[Floats] = []
    scaled = np.asarray(fit.R_inverse @ fit.residuals)
    spread = np.zeros((len(model.y), model.n_traits))
    spread[model.record, model.trait] = scaled
    for m, i, j in labels:
        if m < n_terms:
            E = np.zeros((model.sizes[m], model.sizes[m]))
            E[i, j] = E[j, i] = 1.0
            moved = fit.effects(m) @ fit.K_inverse[m] @ E
            columns.append(np.asarray(model.Z[m] @ moved.ravel()))
        else:
            E = np.zeros((model.n_traits, model.n_traits))
            E[i, j] = E[j, i] = 1.0
            columns.append((spread @ E)[model.record, model.trait])
    f = np.stack(columns, axis=1)
    Rf = fit.R_inverse @ f
    Pf = Rf - fit.R_inverse @ (model.W @ fit.factor.solve(model.W.T @ Rf))
    return np.asarray(0.5 * f.T @ Pf)


def _ai_step(
    model: MixedModel,
    fit: Solution,
    matrices: list[Floats],
    labels: list[tuple[int, int, int]],
    theta: Floats,
    score: Floats,
    information: Floats,
) -> tuple[list[Floats], Solution] | None:
    try:
        direction = np.linalg.solve(information, score)
    except np.linalg.LinAlgError:
        return None
    length = 1.0
    while length > 0.02:
        tried = _matrices(theta + length * direction, labels, matrices)
        found = _accepted(model, fit, tried)
        if found is not None:
            return tried, found
        length *= 0.5
    return None


def _factor_step(
    model: MixedModel,
    fit: Solution,
    matrices: list[Floats],
    labels: list[tuple[int, int, int]],
    score: Floats,
    gradients: list[Floats],
    information: Floats,
) -> tuple[list[Floats], Solution] | None:
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
        found = _accepted(model, fit, tried)
        if found is not None:
            return tried, found
    return None


def _lower(values: Floats, labels: list[tuple[int, int, int]], like: Sequence[Floats]) -> list[Floats]:
    made = [np.zeros_like(K) for K in like]
    for (m, i, j), value in zip(labels, values, strict=True):
        made[m][i, j] = value
    return made


def _product(L: Floats) -> Floats:
    return np.asarray(L @ L.T)


def _accepted(model: MixedModel, fit: Solution, tried: list[Floats]) -> Solution | None:
    """The solution there, unless a matrix comes too near the edge of its cone or the likelihood falls."""
    if any(np.diag(K).min() <= 0 or _smallest_of_correlation(K) < FLOOR for K in tried):
        return None
    try:
        found = model.solve(tried[:-1], tried[-1])
    except (InputError, NotPositiveDefiniteError):
        return None
    return found if found.loglik >= fit.loglik - 1e-9 * max(1.0, abs(fit.loglik)) else None


def _em_step(
    model: MixedModel, fit: Solution, matrices: list[Floats], gradients: list[Floats]
) -> tuple[list[Floats], Solution]:
    """K <- K + 2/n K (dL/dK) K, which is the EM update and never leaves the cone."""
    made: list[Floats] = []
    for K, gradient, term in zip(matrices[:-1], gradients[:-1], model.terms, strict=True):
        made.append(_symmetric(K + 2.0 / term.n_levels * K @ gradient @ K))
    R0 = matrices[-1]
    if model.n_traits == 1:
        made.append(R0 * fit.yPy / (model.n_observed - model.n_fixed))
    else:
        counts = sum(len(where) for _, where in model.recorded_patterns())
        made.append(_symmetric(R0 + 2.0 / counts * R0 @ gradients[-1] @ R0))
    return made, model.solve(made[:-1], made[-1])


def _symmetric(K: Floats) -> Floats:
    return np.asarray(0.5 * (K + K.T))


def _boundary(matrices: Sequence[Floats], n_terms: int) -> bool:
    return any(_smallest_of_correlation(K) < BOUNDARY for K in matrices[:n_terms])


def _smallest_of_correlation(K: Floats) -> float:
    sd = np.sqrt(np.maximum(np.diag(K), 1e-300))
    return float(np.linalg.eigvalsh(K / np.outer(sd, sd)).min())


def _well_conditioned(information: Floats) -> bool:
    """Whether the data tell every component from all others."""
    sd = np.sqrt(np.maximum(np.diag(information), 1e-300))
    return float(np.linalg.eigvalsh(information / np.outer(sd, sd)).min()) > SINGULAR


def _note(model: MixedModel, matrices: Sequence[Floats], rounds: int, *, converged: bool, told_apart: bool) -> str:
    said: list[str] = []
    if not told_apart:
        said.append("these data cannot tell the variance components apart; the values depend on the start")
    elif not converged:
        said.append(f"not converged after {rounds} rounds")
    total = float(np.trace(matrices[-1]))
    for term, K in zip(model.terms, matrices[:-1], strict=True):
        if np.diag(K).min() < 1e-4 * total / len(matrices[-1]):
            said.append(f"a variance of {term.name} reaches 0: not estimable with these data")
        elif len(K) > 1 and _smallest_of_correlation(K) < BOUNDARY:
            said.append(f"a correlation within {term.name} reaches -1 or 1: not estimable with these data")
    return "; ".join(said)
