"""Likely places: between which ranks each candidate lies, from the joint distribution of the errors."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from breeding.genetics.colony_errors import draw_colonies
from breeding.genetics.prediction import Prediction, Units
from breeding.genetics.sampled import drawing_of
from breeding.genetics.types import Floats, Ints

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
    C^-1; each draw costs one backward substitution with the factor, and the absorbed terms of each colony are
    drawn around it; no matrix of errors is formed.
    """
    table = prediction.table
    mated = {table.queen_ids[q]: i for i, q in enumerate(prediction.mated.queens.tolist())}
    chosen = [c for c in dict.fromkeys(candidates) if criterion == "drones" or c in mated]
    if not chosen:
        return {}
    queens = np.array([table.layout.index[c] for c in chosen], dtype=np.int64)
    of_worker = np.where(np.arange(len(k)) % 2 == 0, k, 0.0)
    at = np.array([mated[c] for c in chosen if criterion != "drones"], dtype=np.int64)
    parts: list[tuple[Units, Ints, Floats]] = {
        "drones": [(prediction.queens, queens, k)],
        "mother": [(prediction.workers, at, k)],
        "performance": [(prediction.workers, at, of_worker), (prediction.queens, queens, k - of_worker)],
    }[criterion]
    value = np.zeros(len(chosen))
    for units, rows, contrast in parts:
        value += units.rows[rows] @ (prediction.nodes @ contrast)
        if len(prediction.group_effects):
            value += units.group_rows[rows] @ (prediction.group_effects @ contrast)
    of_queen, of_drones = np.zeros((2, len(k)))
    for units, _, contrast in parts:
        share = 0.5 if units.kind == "workers" else 1.0
        of_queen += share * contrast
        of_drones += (1.0 - share) * contrast
    ranks = _simulated_ranks(prediction, queens, of_queen, of_drones, value, rng, draws)
    best = np.quantile(ranks, 0.05, axis=1, method="inverted_cdf")
    worst = np.quantile(ranks, 0.95, axis=1, method="inverted_cdf")
    return {c: Place(c, int(best[i]), int(worst[i]), len(chosen)) for i, c in enumerate(chosen)}


def _simulated_ranks(
    prediction: Prediction,
    queens: Ints,
    of_queen: Floats,
    of_drones: Floats,
    value: Floats,
    rng: np.random.Generator,
    draws: int,
) -> Ints:
    """Rank of each candidate in each draw, (n_candidates, draws); weights of her own and her drones' effects (2t,)."""
    fit, kept = prediction.fit, prediction.kept
    source = drawing_of(fit)
    widest = max(fit.model.n_equations, 4 * len(queens) * len(kept))
    step = max(1, MAX_ELEMENTS // widest)
    parts: list[Ints] = []
    for start in range(0, draws, step):
        own, carried = draw_colonies(fit, source, queens, rng, min(step, draws - start))
        errors = np.einsum("q,nqd->nd", of_queen[kept], own) + np.einsum("q,nqd->nd", of_drones[kept], carried)
        order = np.argsort(-(value[:, None] + errors), axis=0, kind="stable")
        ranks = np.empty_like(order)
        np.put_along_axis(ranks, order, np.arange(1, len(value) + 1)[:, None], axis=0)
        parts.append(ranks)
    return np.concatenate(parts, axis=1)
