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
    best, worst = places_among(value, _errors(prediction, queens, of_queen, of_drones, rng, draws))
    return {c: Place(c, int(best[i]), int(worst[i]), len(chosen)) for i, c in enumerate(chosen)}


def drawn_errors(prediction: Prediction, k: Floats, queens: Ints, *, rng: np.random.Generator, draws: int) -> Floats:
    """Joint draws of the errors of k'u of the own genes of some queens, (n, draws); single precision."""
    return _errors(prediction, queens, k, np.zeros_like(k), rng, draws)


def places_among(value: Floats, errors: Floats) -> tuple[Ints, Ints]:
    """Best and worst likely place of each candidate, 1 the largest: 5 and 95 per cent points over the draws.

    value : (n,); errors : (n, draws), joint draws of the errors of the values.
    """
    n, draws = errors.shape
    ranks = np.empty((n, draws), dtype=np.int32)
    places = np.arange(1, n + 1, dtype=np.int32)
    for draw in range(draws):
        ranks[np.argsort(-(value + errors[:, draw]), kind="stable"), draw] = places
    low, high = (max(0, int(np.ceil(share * draws)) - 1) for share in (0.05, 0.95))
    ranks.partition([low, high], axis=1)
    return ranks[:, low].astype(np.int64), ranks[:, high].astype(np.int64)


def _errors(
    prediction: Prediction, queens: Ints, of_queen: Floats, of_drones: Floats, rng: np.random.Generator, draws: int
) -> Floats:
    """Errors of each candidate in each draw, (n_candidates, draws); weights of her own and of her drones, (2t,)."""
    fit, kept = prediction.fit, prediction.kept
    source = drawing_of(fit)
    widest = max(fit.model.n_equations, 4 * len(queens) * len(kept))
    step = max(1, MAX_ELEMENTS // widest)
    made = np.empty((len(queens), draws), dtype=np.float32)
    for start in range(0, draws, step):
        part = slice(start, min(draws, start + step))
        own, carried = draw_colonies(fit, source, queens, rng, part.stop - part.start)
        made[:, part] = np.einsum("q,nqd->nd", of_queen[kept], own) + np.einsum("q,nqd->nd", of_drones[kept], carried)
    return made
