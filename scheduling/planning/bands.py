"""Numbers of drones with the band in which 8 of 10 outcomes lie."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from .supply import Emerged


@dataclass(frozen=True, slots=True)
class Band:
    """A number with its 10 and 90 % points. [drones]"""

    low: float
    mean: float
    high: float


def alive_band(emerged: Emerged, day: int, *, survival_per_day: float) -> Band:
    """Return the drones alive on a day, from the doubt about how many emerged.

    Parameters
    ----------
    emerged : Emerged
    day : int
        Day of the horizon. [d]
    survival_per_day : float
        Above 0, at most 1. [-]
    """
    low, high = (emerged.quantile(point, day, survival_per_day) for point in (0.1, 0.9))
    return Band(low, emerged.on(day, survival_per_day), high)


def sum_bands(bands: Sequence[Band]) -> Band:
    """Return the sum of independent numbers: means add, squared half-widths add. Never below 0."""
    mean = sum(band.mean for band in bands)
    low = math.sqrt(sum((band.mean - band.low) ** 2 for band in bands))
    high = math.sqrt(sum((band.high - band.mean) ** 2 for band in bands))
    return Band(max(0.0, mean - low), mean, mean + high)


def less(band: Band, taken: float) -> Band:
    """Return what is left when so many have been taken. Never below 0."""
    return Band(max(0.0, band.low - taken), max(0.0, band.mean - taken), max(0.0, band.high - taken))
