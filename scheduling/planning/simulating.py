"""Draws of what drones give, to hold the safe numbers against."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from .supply import Yield


def shortage_share(volume_ul: float, drones: int, gives: Yield, *, draws: int, random: np.random.Generator) -> float:
    """Return how often so many drones give less than the volume, by simulation. [-]"""
    return float((volume_draws(drones, gives, draws=draws, random=random) < volume_ul).mean())


def volume_draws(
    drones: int | NDArray[np.int64], gives: Yield, *, draws: int, random: np.random.Generator
) -> NDArray[np.float64]:
    """Draw the volume of so many drones, in each draw as many or its own number: the share, who is usable, how much.

    Returns
    -------
    ndarray, shape (draws,)
        Volumes; usable drones' volumes are gamma distributed. [µl]
    """
    f, kappa = gives.usable_fraction, gives.kappa
    share = random.beta(f * kappa, (1 - f) * kappa, draws) if f < 1 else np.ones(draws)
    usable = random.binomial(drones, share)
    if gives.cv_volume == 0:
        return np.asarray(usable * gives.ul_per_drone, dtype=np.float64)
    shape = 1 / gives.cv_volume**2
    # A gamma of shape 0 is 0: nobody usable, nothing given.
    return np.asarray(random.gamma(usable * shape, gives.ul_per_drone / shape), dtype=np.float64)
