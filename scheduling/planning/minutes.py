"""What the clock of the bench teaches: minutes for each queen, each drone and each change of source."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

#: An interval longer than this holds a break, and says nothing of the work. Our choice. [min]
BREAK_MINUTES = 30.0
#: How far an operator may be from what is known beforehand, as a share of it: the prior's standard deviation.
PRIOR_CV = 0.5
#: Scatter of one interval around its expected length. Our choice, until the residuals say more. [min]
SCATTER_MINUTES = 2.0
#: No queen, drone or change of source takes less. [min]
LEAST = (0.5, 0.02, 0.5)


@dataclass(frozen=True, slots=True)
class Interval:
    """From one queen's dose to the next: its length, drones tried and changes of source in it.

    Parameters
    ----------
    minutes : float
        Elapsed. [min]
    drones, changes : int
        Tried, of all outcomes; lots opened of another source than before.
    """

    minutes: float
    drones: int
    changes: int


@dataclass(frozen=True, slots=True)
class Minutes:
    """Expected minutes. `intervals`: how many of them taught it; 0: what was known beforehand."""

    queen: float
    drone: float
    change: float
    intervals: int = 0


def learned_minutes(intervals: Sequence[Interval], prior: Minutes) -> Minutes:
    """Learn the minutes of one operator, pooled with what is known beforehand.

    Parameters
    ----------
    intervals : sequence of Interval
        Those with a break in them are left out.
    prior : Minutes
        Of the season, or of all operators together; values above 0.

    Returns
    -------
    Minutes
        The posterior mean, none below its least possible value.

    Raises
    ------
    ValueError
        When a value of `prior` is not above 0.

    Notes
    -----
    An interval's length is queen + drones · drone + changes · change, with normal scatter; the three figures have a
    normal prior around `prior`. The posterior mean is ridge regression towards it: with few intervals an operator
    stays near what is known, with many the clock speaks. Figures that end below their least are set to it and the
    others fitted again, at most twice.
    """
    start = np.array([prior.queen, prior.drone, prior.change])
    if not (start > 0).all():
        raise ValueError("prior: minutes must be above 0")
    used = [one for one in intervals if 0 < one.minutes <= BREAK_MINUTES]
    if not used:
        return Minutes(prior.queen, prior.drone, prior.change)
    x = np.array([[1.0, one.drones, one.changes] for one in used])
    y = np.array([one.minutes for one in used])
    least = np.minimum(np.array(LEAST), start)
    free = np.ones(3, dtype=bool)
    found = start.copy()
    for _round in range(3):
        rest = y - x[:, ~free] @ found[~free]
        precision = np.diag(1 / (PRIOR_CV * start[free]) ** 2)
        left = x[:, free].T @ x[:, free] / SCATTER_MINUTES**2 + precision
        right = x[:, free].T @ rest / SCATTER_MINUTES**2 + precision @ start[free]
        found[free] = np.linalg.solve(left, right)
        low = free & (found < least)
        if not low.any():
            break
        found[low] = least[low]
        free &= ~low
        if not free.any():
            break
    return Minutes(float(found[0]), float(found[1]), float(found[2]), len(used))
