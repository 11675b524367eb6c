"""Variance components of very large populations: traces from simulated records instead of elements of the inverse.

The score of the restricted likelihood compares quadratic forms of the records with their expectation. The mean of
the same forms over records simulated from the model gives that expectation without the inverse, with an error of
1/sqrt(draws) of the standard errors. The same random numbers serve every round, so that the search is a smooth one;
what the draws add to the errors of the estimates is worked out from their spread and reported.

References
----------
García-Cortés, Moreno, Varona & Altarriba (1992), 10.1111/j.1439-0388.1992.tb00406.x (traces from simulated records);
Gilmour, Thompson & Cullis (1995), 10.2307/2533274 (average information).
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from typing import TypeAlias

import numpy as np
import numpy.typing as npt

from breeding.genetics import absorbed_likelihood
from breeding.genetics.absorbed import AbsorbedFit, AbsorbedModel, Method
from breeding.genetics.boundary import boundaries_of, smallest_of_correlation, well_conditioned
from breeding.genetics.iterative import TOGETHER, conjugate_gradients
from breeding.genetics.likelihood import Label
from breeding.genetics.reml import RemlResult, note_of, score_of
from breeding.genetics.types import Csr, Floats

DRAWS = 16
# A step of all parameters below this share of their standard errors ends the search.
CLOSE = 0.01
# Largest step in standard errors that a search may still want at its end, unless it ends on an edge.
HELD = 0.1
# A variance may fall to this share of itself in one round, no further.
LEAST_SHARE = 0.3
# Relative residual to which draws and information are solved; far below their own error.
ROUGH = 1e-4

Solve: TypeAlias = Callable[[Floats], Floats]


def estimate_by_draws(
    model: AbsorbedModel,
    covariances: Sequence[npt.ArrayLike],
    R0: npt.ArrayLike,
    *,
    draws: int = DRAWS,
    seed: int = 1,
    direct: bool | None = None,
    max_rounds: int = 40,
    progress: Callable[[int, float], None] | None = None,
) -> RemlResult:
    """Estimate all (co)variances of a model from the given start.

    Parameters
    ----------
    draws : simulated sets of records, each one more solution a round. The draws add about 1/sqrt(draws) of each
        standard error to it.
    direct : solve by the sparse factor, for populations whose factor fits into memory but whose inverse takes long;
        None takes it while the model is ``factorable``, else iterates.
    progress : called each round with its number and the largest step in standard errors; it may raise to stop.

    Notes
    -----
    Without the likelihood itself (NaN): no test against a smaller model, no check that it rises.
    """
    matrices = [np.array(K, dtype=float) for K in (*covariances, R0)]
    labels = [(m, i, j) for m, K in enumerate(matrices) for i in range(len(K)) for j in range(i + 1)]
    source = _Source(model, draws, seed, direct=model.factorable if direct is None else direct)
    converged, rounds = False, 0
    for rounds in range(1, max_rounds + 1):
        fit, simulated, solve = source.at(matrices)
        scores = sampled_scores(fit, simulated, labels)
        information = absorbed_likelihood.information(fit, labels, solve=solve)
        sampling = np.linalg.pinv(information, hermitian=True)
        step = sampling @ scores.mean(axis=0)
        moved = _stepped(matrices, step, labels)
        se = np.sqrt(np.maximum(np.diag(sampling), 1e-300))
        taken = np.array([moved[m][i, j] - matrices[m][i, j] for m, i, j in labels])
        largest = float(np.abs(taken / se).max())
        matrices = moved
        if progress is not None:
            progress(rounds, largest)
        # A step that only the edge of the possible values made small is no end of the search, before it is reached.
        wanted = float(np.abs(step / se).max())
        if largest < CLOSE and (wanted < HELD or boundaries_of(model.names, matrices)):
            converged = True
            break
    told_apart = well_conditioned(information)
    edges = boundaries_of(model.names, matrices)
    spread = sampling @ (np.cov(scores.T) / draws) @ sampling  # what the draws add
    whole = sampling + spread
    errors = [np.zeros_like(K) for K in matrices]
    for (m, i, j), error in zip(labels, np.sqrt(np.maximum(np.diag(whole), 0.0)), strict=True):
        errors[m][i, j] = errors[m][j, i] = error
    return RemlResult(
        covariances=matrices[:-1],
        residual=matrices[-1],
        covariances_se=errors[:-1],
        residual_se=errors[-1],
        sampling=whole,
        labels=labels,
        loglik=math.nan,
        rounds=rounds,
        converged=converged and told_apart,
        told_apart=told_apart,
        boundaries=edges,
        note=note_of(edges, rounds, converged=converged, told_apart=told_apart),
        drawn=np.sqrt(np.maximum(np.diag(spread), 0.0)),
    )


class _Source:
    """Solutions for the records and for simulated ones at any (co)variances, from the same random numbers."""

    def __init__(self, model: AbsorbedModel, draws: int, seed: int, *, direct: bool) -> None:
        self.model, self.direct = model, direct
        rng = np.random.default_rng(seed)
        t, q, reduction = model.n_traits, model.columns.q, model.reduction
        own = rng.standard_normal((reduction.n_unknown, q * draws)) * np.sqrt(reduction.D)[:, None]
        self.genes = _handed_down(reduction.P, own).reshape(-1, q, draws)
        self.levels = [rng.standard_normal((levels, t, draws)) for _, levels in model.columns.random]
        self.chance = [rng.standard_normal((batch.n, batch.k, draws)) for batch in model.batches]
        self.x: Floats | None = None
        self.simulated: Floats | None = None

    def at(self, matrices: Sequence[Floats]) -> tuple[AbsorbedFit, "Simulated", Solve]:
        """The solution for the records, those for simulated ones, and how to solve for more right sides."""
        method: Method = "factor" if self.direct else "iterations"
        fit = self.model.solve(matrices[:-1], matrices[-1], method=method, start=self.x)
        means, rhs = self._records(fit)
        if self.direct:
            return fit, Simulated(fit.factor.solve(rhs), means), fit.factor.solve
        self.x = fit.x
        self.simulated = _iterated(fit, rhs, self.simulated)
        return fit, Simulated(self.simulated, means), partial(_iterated, fit)

    def _records(self, fit: AbsorbedFit) -> tuple[list[Floats], Floats]:
        """Means of each cell in each simulation, per batch (n, k, draws), and the right sides they give."""
        columns, t = self.model.columns, self.model.n_traits
        truth = np.zeros((columns.total, self.genes.shape[2]))
        q = columns.q
        truth[: len(self.genes) * q] = (np.linalg.cholesky(fit.G) @ self.genes).reshape(-1, truth.shape[1])
        for (start, levels), own, K in zip(columns.random, self.levels, fit.random, strict=True):
            truth[start : start + levels * t] = (np.linalg.cholesky(K) @ own).reshape(-1, truth.shape[1])
        means: list[Floats] = []
        rhs = np.zeros_like(truth)
        for batch, number, chance in zip(self.model.batches, fit.numbers, self.chance, strict=True):
            if not batch.k:
                means.append(chance)
                continue
            root = np.linalg.cholesky(np.linalg.inv(number.inverse) / batch.weight[:, None, None])
            mean = batch.H @ truth[batch.columns] + root @ chance
            weighted = np.swapaxes(batch.H, 1, 2) @ (number.inverse @ mean * batch.weight[:, None, None])
            for draw in range(rhs.shape[1]):
                added = weighted[:, :, draw].ravel()
                rhs[:, draw] += np.bincount(batch.columns.ravel(), weights=added, minlength=len(rhs))
            means.append(mean)
        return means, rhs


def _iterated(fit: AbsorbedFit, rhs: Floats, start: Floats | None = None) -> Floats:
    """C^-1 rhs to within far less than what the draws leave open; rhs (n, m)."""
    found = [
        conjugate_gradients(
            fit.operator,
            fit.preconditioner,
            rhs[:, at : at + TOGETHER],
            start=None if start is None else start[:, at : at + TOGETHER],
            tolerance=ROUGH,
        ).x
        for at in range(0, rhs.shape[1], TOGETHER)
    ]
    return np.concatenate(found, axis=1)


@dataclass(frozen=True)
class Simulated:
    """x : (n_equations, draws). Solutions for simulated records; means : per batch (n, k, draws)."""

    x: Floats
    means: list[Floats]


def _handed_down(P: Csr, own: Floats) -> Floats:
    """(I - P)^-1 own: Mendelian terms handed down the pedigree, one generation a pass."""
    whole, passed = own.copy(), own
    while True:
        passed = P @ passed
        if not passed.any():
            return whole
        whole += passed


def sampled_scores(fit: AbsorbedFit, simulated: Simulated, labels: Sequence[Label]) -> Floats:
    """Score with the traces of each simulation, (n_draws, n_parameters).

    tr(P V_k) is the mean of y'P V_k P y over records y simulated from the model, so the score is half of that form for
    the records less half of its mean. What differs within a cell has its trace in closed form.
    """
    model, t, q = fit.model, fit.model.n_traits, fit.model.columns.q
    n_draws = simulated.x.shape[1]
    n_z = model.reduction.n_unknown
    z = simulated.x[: n_z * q].reshape(n_z, q * n_draws)
    spread = (model.precision @ z).reshape(n_z, q, n_draws)
    squares = np.einsum("nas,nbs->sab", z.reshape(n_z, q, n_draws), spread, optimize=True)
    genetic = 0.5 * fit.G_inverse @ (fit.z.T @ (model.precision @ fit.z) - squares) @ fit.G_inverse
    random = []
    for r, (start, levels) in enumerate(model.columns.random):
        own = simulated.x[start : start + levels * t].reshape(levels, t, n_draws)
        seen, Ki = fit.random_levels(r), fit.random_inverse[r]
        random.append(0.5 * Ki @ (seen.T @ seen - np.einsum("nas,nbs->sab", own, own, optimize=True)) @ Ki)
    permanent, residual = np.zeros((2, n_draws, t, t))
    for number, batch in enumerate(model.batches):
        if not batch.k:
            continue
        sums = np.zeros((3, n_draws, batch.k, batch.k))  # of -2 dL/dV, weighted by 1, v, c
        for part in batch.chunks(400_000):
            own, H, weight = fit.numbers[number].inverse[part], batch.H[part], batch.weight[part]
            d = fit.distance[number][part]
            outer = weight[:, None, None] * d[:, :, None] * d[:, None, :] + batch.scatter[part]
            fixed = (weight - 1)[:, None, None] * own - own @ outer @ own
            seen = own @ (simulated.means[number][part] - H @ simulated.x[batch.columns[part]])
            for row, by in enumerate((np.ones(len(weight)), batch.v[part], batch.c[part])):
                sums[row] += np.tensordot(by, fixed, 1)
                sums[row] += np.einsum("n,nis,njs->sij", by * weight, seen, seen, optimize=True)
        HQ, HB = model.shown(batch)
        genetic -= 0.5 * (HQ.T @ sums[1] @ HQ + HB.T @ sums[2] @ HB)
        by_trait = np.zeros((batch.k, t))
        by_trait[np.arange(batch.k), batch.traits] = 1.0
        permanent -= 0.5 * by_trait.T @ sums[0] @ by_trait
        same = batch.record[:, None] == batch.record[None, :]
        residual -= 0.5 * by_trait.T @ np.where(same, sums[0], 0.0) @ by_trait
    parts = [genetic, *([permanent] if fit.permanent is not None else []), *random, residual]
    return np.array([score_of([part[s] for part in parts], labels) for s in range(n_draws)])


def _stepped(matrices: Sequence[Floats], step: Floats, labels: Sequence[Label]) -> list[Floats]:
    """The step, halved until every variance keeps a share of itself and every matrix stays inside its cone."""
    length = 1.0
    while True:
        moved = [K.copy() for K in matrices]
        for (m, i, j), change in zip(labels, step, strict=True):
            moved[m][i, j] += length * change
            if i != j:
                moved[m][j, i] += length * change
        kept = all(
            (np.diag(new) > LEAST_SHARE * np.diag(old)).all()
            and smallest_of_correlation(new) > min(1e-4, LEAST_SHARE * smallest_of_correlation(old))
            for new, old in zip(moved, matrices, strict=True)
        )
        if kept or length < 1e-6:
            return moved if kept else [K.copy() for K in matrices]
        length *= 0.5
