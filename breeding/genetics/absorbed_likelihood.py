"""Derivatives of the restricted likelihood of the absorbed equations, with the exact traces of the inverse.

For a colony's observations with covariance V, dL/dV = -1/2 Q with Q = P - Py y'P on her rows; absorbed terms, permanent
effect and residual see Q through their own designs, what stayed in the equations through the inverse.
"""

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

import numpy as np

from breeding.genetics.cells import Batch
from breeding.genetics.types import Floats, Ints

if TYPE_CHECKING:
    from breeding.genetics.absorbed import AbsorbedFit
    from breeding.genetics.likelihood import Label


def gradients(fit: "AbsorbedFit") -> list[Floats]:
    """dL/dK of each term, then dL/dR0, symmetric."""
    model, t = fit.model, fit.model.n_traits
    q = model.columns.q
    genetic = _gradient_of_levels(
        fit.z.T @ (model.precision @ fit.z) + _trace(fit, model.assembly.precision_data, model.assembly.precision_at),
        model.reduction.n_unknown,
        fit.G_inverse,
    )
    random = [
        _gradient_of_levels(
            fit.random_levels(r).T @ fit.random_levels(r) + fit.inverse_data[at].sum(axis=0),
            len(at),
            fit.random_inverse[r],
        )
        for r, at in enumerate(model.assembly.random_at)
    ]
    permanent, residual = np.zeros((2, t, t))
    sums = [np.zeros((3, batch.k, batch.k)) for batch in model.batches]  # of Q, weighted by 1, v, c
    for number, batch, part, at in model.assembly.parts():
        if not batch.k:
            continue
        own = fit.numbers[number].inverse[part]
        H, weight, d = batch.H[part], batch.weight[part, None, None], fit.distance[number][part]
        leverage = own @ (H @ fit.inverse_data[at] @ np.swapaxes(H, 1, 2)) @ own
        squares = own @ (batch.scatter[part] + weight * d[:, :, None] * d[:, None, :]) @ own
        Q = weight * (own - leverage) - squares
        sums[number] += np.stack([Q.sum(axis=0), np.tensordot(batch.v[part], Q, 1), np.tensordot(batch.c[part], Q, 1)])
    for batch, (plain, by_v, by_c) in zip(model.batches, sums, strict=True):
        if not batch.k:
            continue
        HQ, HB = model.shown(batch)
        genetic -= 0.5 * (HQ.T @ by_v @ HQ + HB.T @ by_c @ HB)
        by_trait = np.zeros((batch.k, t))
        by_trait[np.arange(batch.k), batch.traits] = 1.0
        permanent -= 0.5 * by_trait.T @ plain @ by_trait
        same = batch.record[:, None] == batch.record[None, :]
        residual -= 0.5 * by_trait.T @ np.where(same, plain, 0.0) @ by_trait
    assert genetic.shape == (q, q)
    return [genetic, *([permanent] if fit.permanent is not None else []), *random, residual]


def _gradient_of_levels(squares: Floats, levels: int, Ki: Floats) -> Floats:
    return np.asarray(-0.5 * (levels * Ki - Ki @ squares @ Ki))


def _trace(fit: "AbsorbedFit", weights: Floats, at: Ints) -> Floats:
    """sum over pairs of levels of A^-1_ij C^ij, (q, q)."""
    return np.asarray(np.tensordot(weights, fit.inverse_data[at], 1))


def information(
    fit: "AbsorbedFit", labels: "Sequence[Label]", *, solve: Callable[[Floats], Floats] | None = None
) -> Floats:
    """Average information 1/2 f_k' P f_l with f_k = dV/dtheta_k P y, (n_parameters, n_parameters).

    solve : C^-1 times right sides (n_equations, m) where nothing is factorised.
    """
    model, n = fit.model, len(labels)
    moved = np.zeros((model.n_equations, n))  # what V_k P y adds to the unknowns that stayed
    n_before = len(fit.covariances) - len(fit.random)
    for p, (m, i, j) in enumerate(labels):
        if m == 0:
            moved[: model.columns.n_unknown * model.columns.q, p] = (fit.z @ fit.G_inverse @ _unit(fit.G, i, j)).ravel()
        elif n_before <= m < len(fit.covariances):
            r = m - n_before
            start, levels = model.columns.random[r]
            change = fit.random_levels(r) @ fit.random_inverse[r] @ _unit(fit.random[r], i, j)
            moved[start : start + levels * model.n_traits, p] = change.ravel()
    total = np.zeros((n, n))
    rhs = np.zeros((model.n_equations, n))
    for number, batch in enumerate(model.batches):
        if not batch.k:
            continue
        slopes = [_slope(fit, batch, label) for label in labels]
        for part in batch.chunks(400_000):
            own, d = fit.numbers[number].inverse[part], fit.distance[number][part]
            H, weight = batch.H[part], batch.weight[part]
            Rd = (own @ d[:, :, None])[:, :, 0]
            mean = H @ moved[batch.columns[part]]  # (n, k, p)
            T = np.empty((len(own), n, batch.k, batch.k))
            for p, (by_v, by_c, plain) in enumerate(slopes):
                D = batch.v[part, None, None] * by_v + batch.c[part, None, None] * by_c + plain
                mean[:, :, p] += np.einsum("nij,nj->ni", D, Rd)
                T[:, p] = D @ own
            scaled = own @ mean
            total += np.einsum("n,nip,niq->pq", weight, mean, scaled, optimize=True)
            left = own[:, None] @ T @ batch.scatter[part, None]
            total += np.einsum("npij,nqij->pq", left, T, optimize=True)
            added = np.einsum("n,niu,nip->nup", weight, H, scaled, optimize=True)
            np.add.at(rhs, batch.columns[part], added)
    return np.asarray(0.5 * (total - rhs.T @ (solve or fit.factor.solve)(rhs)))


def _unit(like: Floats, i: int, j: int) -> Floats:
    E = np.zeros_like(like)
    E[i, j] = E[j, i] = 1.0
    return E


def _slope(fit: "AbsorbedFit", batch: Batch, label: "Label") -> tuple[Floats, Floats, Floats]:
    """Derivative of a colony's covariance: parts times v, times c, and plain, each (k, k)."""
    m, i, j = label
    none = np.zeros((batch.k, batch.k))
    if m == 0:
        HQ, HB = fit.model.shown(batch)
        E = _unit(fit.G, i, j)
        return HQ @ E @ HQ.T, HB @ E @ HB.T, none
    chosen = np.ix_(batch.traits, batch.traits)
    if m == len(fit.covariances):
        same = batch.record[:, None] == batch.record[None, :]
        return none, none, np.where(same, _unit(fit.R0, i, j)[chosen], 0.0)
    if m == 1 and fit.permanent is not None:
        return none, none, _unit(fit.permanent, i, j)[chosen]
    return none, none, none


def em_step(fit: "AbsorbedFit", found: Sequence[Floats]) -> list[Floats]:
    """Matrices after one EM round: K + 2/n K (dL/dK) K, with all levels of the full model."""
    model = fit.model
    made = [_em(K, g, n) for K, g, n in zip(fit.covariances, found[:-1], model.levels, strict=True)]
    if model.n_traits == 1:
        return [*made, fit.R0 * fit.yPy / (model.n_observed - model.n_fixed)]
    return [*made, _em(fit.R0, found[-1], len(model.y))]


def _em(K: Floats, gradient: Floats, n: int) -> Floats:
    made = K + 2.0 / n * K @ gradient @ K
    return np.asarray(0.5 * (made + made.T))
