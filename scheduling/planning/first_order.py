"""A packing solved nearly, by steps that only multiply: little memory, and a proven bound at every step.

Primal-dual hybrid gradient with diagonal step sizes, averages and restarts.

References
----------
Pock, Chambolle (2011), doi:10.1109/ICCV.2011.6126441 (step sizes). Applegate et al. (2021),
doi:10.48550/arXiv.2106.04756 (restarts, primal weight).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from .packing import Floats, Packing

#: Steps between two looks at the error, and the error's fall that is worth a restart.
_LOOK, _FALL = 40, 0.5
#: A restart comes at the latest after this share of all steps so far. [-]
_LONGEST = 0.36


@dataclass(slots=True)
class Near:
    """A point near the optimum.

    Parameters
    ----------
    x, prices : ndarray
        Columns and rows of the packing; x may break its rows a little.
    bound : float
        Proven: no plan serves more. [queens]
    error : float
        Bound less what x serves, plus what it breaks. [queens]
    steps : int
    """

    x: Floats
    prices: Floats
    bound: float
    error: float
    steps: int


def nearly_solved(
    packing: Packing, *, error: float, steps: int = 4000, stop: Callable[[], bool] = lambda: False
) -> Near:
    """Solve a packing until the error is small enough.

    Parameters
    ----------
    packing : Packing
    error : float
        Share of the bound. [-]
    steps : int
        At most so many.
    stop : callable, optional
        Asked at each look; True ends the work.

    Returns
    -------
    Near
        With the lowest bound and the point of the least error met.

    Notes
    -----
    ``x' = clip(x + t (1 - A'y)), y' = max(0, y + s (A(2x' - x) - b))`` with t and s the reciprocal column and row
    sums of A, times a weight between them. Deterministic. Cost per step: some passes over columns and slots.
    """
    sums = packing.rows(np.ones(packing.columns))
    s = 1.0 / np.maximum(sums, 1e-12)
    t = 1.0 / np.maximum(packing.costs(np.ones(len(sums))), 1e-12)
    x, y = np.zeros(packing.columns), np.zeros(len(sums))
    best = Near(x, y, packing.bound(y), np.inf, 0)
    weight = 1.0
    anchor = x.copy(), y.copy()
    x_sum, y_sum, since, last = np.zeros_like(x), np.zeros_like(y), 0, np.inf
    rows = packing.rows(x)
    for step in range(1, steps + 1):
        new = np.clip(x + t / weight * (1.0 - packing.costs(y)), 0.0, packing.high)
        new_rows = packing.rows(new)
        y = np.maximum(y + s * weight * (2 * new_rows - rows - packing.limit), 0.0)
        x, rows = new, new_rows
        x_sum += x
        y_sum += y
        since += 1
        if step % _LOOK:
            continue
        mean = x_sum / since, y_sum / since
        choices = [_judged(packing, *mean, step), _judged(packing, x, y, step)]
        now = min(choices, key=lambda near: near.error)
        lowest = min(best.bound, *(near.bound for near in choices))
        best = now if now.error < best.error else best
        best.bound = lowest
        if best.error <= error * lowest or stop():
            break
        if now.error <= _FALL * last or since >= _LONGEST * step:
            x, y, last = now.x.copy(), now.prices.copy(), now.error
            weight = _reweighted(weight, x - anchor[0], y - anchor[1], t, s)
            anchor = x.copy(), y.copy()
            x_sum[:], y_sum[:], since = 0.0, 0.0, 0
            rows = packing.rows(x)
    return best


def _judged(packing: Packing, x: Floats, y: Floats, steps: int) -> Near:
    bound = packing.bound(y)
    broken = float(np.maximum(packing.rows(x) - packing.limit, 0.0).sum())
    return Near(x, y, bound, bound - float(x.sum()) + broken, steps)


def _reweighted(weight: float, moved: Floats, prices_moved: Floats, t: Floats, s: Floats) -> float:
    """Return the weight between both kinds of steps, so that points and prices go equally far."""
    far = float(np.sqrt((moved**2 / t).sum()))
    prices_far = float(np.sqrt((prices_moved**2 / s).sum()))
    if far < 1e-12 or prices_far < 1e-12:
        return weight
    return float(np.exp(0.5 * np.log(prices_far / far) + 0.5 * np.log(weight)))
