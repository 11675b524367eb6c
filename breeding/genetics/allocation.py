"""Which daughters with which drones: counts from contributions, then the best assignment of mothers to sources.

Kuhn's assignment problem: each queen to be inseminated is a row, each insemination a source can serve a column.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy.optimize import linear_sum_assignment

from breeding.genetics.types import Bools, Floats, InputError, Ints

# Queens in one assignment: the work grows with the third power [queens].
MOST_QUEENS = 3000


@dataclass(frozen=True)
class Allocation:
    """``counts``: queens of each mother for each source, (n_mothers, n_sources); ``mean``: of the criterion.

    ``mean_at_random``: what the same numbers give when daughters and sources meet by chance.
    """

    status: Literal["optimal", "infeasible"]
    counts: Ints
    mean: float
    mean_at_random: float
    message: str = ""


def counts_of(shares: Mapping[str, float], total: int, *, most: Mapping[str, int] | None = None) -> dict[str, int]:
    """Whole numbers that sum to ``total``, as near to the shares as can be.

    Parameters
    ----------
    shares : candidate -> share of the path, 0 or more; scaled to sum 1.
    total : queens to raise, or inseminations to make.
    most : candidate -> largest number; those not named have none.

    Returns
    -------
    dict
        In the order of ``shares``. Largest remainders; ties go to the larger share, then to the earlier name.

    Raises
    ------
    InputError
        No share above 0, a total below 1, or too little room below ``most``.
    """
    most = most or {}
    whole = sum(shares.values())
    if not whole > 0 or any(share < 0 for share in shares.values()):
        raise InputError("shares", "must not be below 0, and not all 0")
    if total < 1:
        raise InputError("total", f"must be at least 1, not {total}")
    room = {name: most.get(name, total) for name in shares}
    if sum(room[name] for name, share in shares.items() if share > 0) < total:
        raise InputError("most", f"leaves room for fewer than {total}")
    exact = {name: share / whole * total for name, share in shares.items()}
    made = {name: min(int(number + 1e-9), room[name]) for name, number in exact.items()}
    order = {name: i for i, name in enumerate(shares)}
    while (left := total - sum(made.values())) > 0:
        open_ = [name for name in shares if shares[name] > 0 and made[name] < room[name]]
        open_.sort(key=lambda name: (made[name] - exact[name], -shares[name], order[name]))
        for name in open_[:left]:
            made[name] += 1
    return made


def allocate(
    values: Floats,
    queens: Ints,
    capacity: Ints,
    *,
    goal: Literal["low", "high"],
    allowed: Bools | None = None,
) -> Allocation:
    """Give each queen one source so that the mean of a criterion is lowest or highest.

    Parameters
    ----------
    values : (n_mothers, n_sources). Criterion of each pair, e.g. inbreeding of the workers or brood viability [-].
    queens : (n_mothers,), int. Daughters of each mother that will be inseminated.
    capacity : (n_sources,), int. Inseminations each source can serve, together at least as many as queens.
    goal : ``low`` for inbreeding, ``high`` for viability.
    allowed : (n_mothers, n_sources), bool. Pairs that may be made; None allows all.

    Returns
    -------
    Allocation
        ``infeasible`` when the allowed pairs leave a queen without a source.

    Raises
    ------
    InputError
        Shapes that do not fit, negative numbers, fewer inseminations than queens.

    References
    ----------
    Crouse (2016), 10.1109/TAES.2016.140952 (shortest augmenting paths, as in scipy).
    """
    values = np.asarray(values, dtype=float)
    if values.shape != (len(queens), len(capacity)):
        raise InputError("values", f"needs shape {(len(queens), len(capacity))}, not {values.shape}")
    if not np.isfinite(values).all():
        raise InputError("values", "must be numbers")
    if min(queens.min(initial=0), capacity.min(initial=0)) < 0:
        raise InputError("queens", "numbers must not be below 0")
    n = int(queens.sum())
    if n > MOST_QUEENS:
        raise InputError("queens", f"at most {MOST_QUEENS} queens at once, not {n}")
    if int(capacity.sum()) < n:
        raise InputError("capacity", f"{int(capacity.sum())} inseminations for {n} queens")
    none = np.zeros(values.shape, dtype=np.int64)
    if n == 0:
        return Allocation("optimal", none, float("nan"), float("nan"))
    weights = np.outer(queens, capacity) / (n * capacity.sum())
    at_random = float((weights * values).sum())
    cost = values if goal == "low" else -values
    if allowed is not None:
        # Above the sum of everything allowed: a forbidden pair is taken only where nothing else is left.
        spread = float(cost.max() - cost.min()) + 1.0
        cost = np.where(allowed, cost, cost.max() + spread * (n + 1))
    row_of = np.repeat(np.arange(len(queens)), queens)
    column_of = np.repeat(np.arange(len(capacity)), np.minimum(capacity, n))
    rows, columns = linear_sum_assignment(cost[np.ix_(row_of, column_of)])
    counts = none.copy()
    np.add.at(counts, (row_of[rows], column_of[columns]), 1)
    if allowed is not None and counts[~allowed].any():
        left_over = int(counts[~allowed].sum())
        message = f"{left_over} of {n} queens have no source among the allowed pairs."
        return Allocation("infeasible", np.where(allowed, counts, 0), float("nan"), at_random, message)
    return Allocation("optimal", counts, float((counts * values).sum()) / n, at_random)
