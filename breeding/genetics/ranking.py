"""Likely places: between which ranks each candidate lies, from the joint distribution of the errors."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy import sparse

from breeding.genetics.prediction import Prediction
from breeding.genetics.types import Csr, Floats, Ints

Criterion = Literal["drones", "mother", "performance"]
# Work array of one batch of draws [elements].
MAX_ELEMENTS = 10_000_000


@dataclass(frozen=True)
class Place:
    """Likely place of a candidate, 1 = best: the 5 and 95 per cent points of her simulated place."""

    queen: str
    best: int
    worst: int
    of: int


def likely_places(
    prediction: Prediction,
    k: Floats,
    candidates: Sequence[str],
    *,
    criterion: Criterion,
    rng: np.random.Generator,
    draws: int = 2000,
) -> dict[str, Place]:
    """Interval of the rank of each candidate, largest k'u first.

    Parameters
    ----------
    k : (2t,). Weights of the effects in the merit.
    candidates : queens; those without a mating are left out unless ``criterion`` is ``drones``.
    draws : simulated true values. The ends of the intervals vary between seeds by about a place in a hundred.

    Notes
    -----
    True values given the records are normal around the predictions with the joint error covariance
    C^-1; each draw costs one backward substitution with the factor, no matrix of errors is formed.
    """
    table = prediction.table
    mated = {table.queen_ids[q]: i for i, q in enumerate(prediction.mated.queens.tolist())}
    chosen = [c for c in dict.fromkeys(candidates) if criterion == "drones" or c in mated]
    if not chosen:
        return {}
    queens = np.array([table.layout.index[c] for c in chosen], dtype=np.int64)
    of_worker = np.where(np.arange(len(k)) % 2 == 0, k, 0.0)
    own, own_groups = prediction.queens.rows[queens], prediction.queens.group_rows[queens]
    if criterion == "drones":
        parts = [(own, own_groups, k)]
    else:
        at = [mated[c] for c in chosen]
        brood, brood_groups = prediction.workers.rows[at], prediction.workers.group_rows[at]
        if criterion == "mother":
            parts = [(brood, brood_groups, k)]
        else:
            parts = [(brood, brood_groups, of_worker), (own, own_groups, k - of_worker)]
    held, kept = prediction.nodes[:, prediction.kept], prediction.kept
    weights = sparse.csr_array((len(chosen), held.size))
    for rows, _, contrast in parts:
        weights = sparse.csr_array(weights + sparse.kron(rows, contrast[None, kept]))
    value = weights @ held.ravel()
    if len(prediction.group_effects):
        value = value + sum(groups @ prediction.group_effects @ contrast for _, groups, contrast in parts)
    ranks = _simulated_ranks(prediction, weights, np.asarray(value), rng, draws)
    best = np.quantile(ranks, 0.05, axis=1, method="inverted_cdf")
    worst = np.quantile(ranks, 0.95, axis=1, method="inverted_cdf")
    return {c: Place(c, int(best[i]), int(worst[i]), len(chosen)) for i, c in enumerate(chosen)}


def _simulated_ranks(prediction: Prediction, weights: Csr, value: Floats, rng: np.random.Generator, draws: int) -> Ints:
    """Rank of each candidate in each draw, (n_candidates, draws)."""
    n_equations = prediction.fit.model.n_equations
    step = max(1, MAX_ELEMENTS // n_equations)
    parts: list[Ints] = []
    for start in range(0, draws, step):
        errors = prediction.fit.factor.draw(rng, min(step, draws - start))[: weights.shape[1]]
        order = np.argsort(-(value[:, None] + weights @ errors), axis=0, kind="stable")
        ranks = np.empty_like(order)
        np.put_along_axis(ranks, order, np.arange(1, len(value) + 1)[:, None], axis=0)
        parts.append(ranks)
    return np.concatenate(parts, axis=1)
