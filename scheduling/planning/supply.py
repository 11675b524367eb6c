"""From counts of drones to volumes that can be promised.

A drone gives semen with a share that is itself uncertain (Beta), each one that does gives a volume with a mean
and a spread. What is promised is safe: enough drones at the wished service level, counted stock at its own
safe quantile. Drones die; their number is told in the equivalents of one day, so that a cohort's stock is one
number and a drone taken later counts for more.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import NormalDist

PERMILLE = 1000
SMALLEST_DOSE_UL = 4.0
LARGEST_SESSION_UL = 240.0
"""Volumes one source is asked for in one session: from half a small dose to thirty full ones."""


@dataclass(frozen=True, slots=True)
class Yield:
    """What drones of one source give.

    Parameters
    ----------
    usable_share : float
        Share that gives semen. [-]
    concentration : float
        How sure that share is, as a number of drones (Beta). [drones]
    ul_per_drone, volume_cv : float
        Mean volume of a drone that gives semen, and its coefficient of variation. [µl], [-]
    """

    usable_share: float
    concentration: float
    ul_per_drone: float
    volume_cv: float

    def __post_init__(self) -> None:
        if not 0 < self.usable_share <= 1:
            raise ValueError("usable_share must be above 0 and at most 1")
        if min(self.concentration, self.ul_per_drone) <= 0 or self.volume_cv < 0:
            raise ValueError("concentration and ul_per_drone must be above 0, volume_cv not below 0")


def volume_moments(drones: float, given: Yield) -> tuple[float, float]:
    """Return mean and variance of the volume that so many drones give. [µl], [µl²]

    Notes
    -----
    Mean m·f·v; variance m·v²·f(1 − f + cv²) + m(m − 1)·v²·f(1 − f)/(kappa + 1): the first part is each drone's own
    luck, the second the doubt about the share, which all of them have in common.
    """
    f, v = given.usable_share, given.ul_per_drone
    own = drones * v * v * f * (1 - f + given.volume_cv**2)
    common = drones * max(0.0, drones - 1) * v * v * f * (1 - f) / (given.concentration + 1)
    return drones * f * v, own + common


def safe_drones(volume_ul: float, given: Yield, *, service_level: float) -> int:
    """Return the smallest number of drones that gives at least this volume at the service level.

    Parameters
    ----------
    volume_ul : float
        0 or more. [µl]
    service_level : float
        Above 0.5 and below 1. [-]

    Raises
    ------
    ValueError
        For a level that cannot be, or a share so doubtful that no number of drones is safe.
    """
    if not 0.5 < service_level < 1:
        raise ValueError("service_level must lie between 0.5 and 1")
    if volume_ul <= 0:
        return 0
    z = NormalDist().inv_cdf(service_level)

    def is_safe(drones: int) -> bool:
        mean, variance = volume_moments(drones, given)
        return mean - z * math.sqrt(variance) >= volume_ul

    most = 1
    while not is_safe(most):
        most *= 2
        if most > 10_000_000:
            raise ValueError("usable_share is so doubtful that no number of drones is safe")
    least = most // 2
    while most - least > 1:
        middle = (least + most) // 2
        least, most = (least, middle) if is_safe(middle) else (middle, most)
    return most


@dataclass(frozen=True, slots=True)
class ReserveLine:
    """Drones to set aside for a volume: ``md_per_ul10`` for each tenth of a µl and ``md_fixed`` once. [1/1000]"""

    md_per_ul10: int
    md_fixed: int

    def drones(self, volume_tenths: float) -> int:
        """Return the drones to bring for this volume, rounded up; none for nothing."""
        if volume_tenths <= 0:
            return 0
        return math.ceil(round((self.md_per_ul10 * volume_tenths + self.md_fixed) / PERMILLE, 9))


def reserve_line(
    given: Yield,
    *,
    service_level: float,
    smallest_ul: float = SMALLEST_DOSE_UL,
    largest_ul: float = LARGEST_SESSION_UL,
) -> ReserveLine:
    """Return the line that lies on or above the safe number of drones at every volume between the two.

    The safe number is convex in the volume, so the line through its ends bounds it; the fixed part is then raised
    until no whole number of drones on the way is missed.
    """
    if not 0 < smallest_ul < largest_ul:
        raise ValueError("smallest_ul must be above 0 and below largest_ul")
    volumes = [smallest_ul + (largest_ul - smallest_ul) * step / 60 for step in range(61)]
    needs = [safe_drones(volume, given, service_level=service_level) for volume in volumes]
    slope = math.ceil(PERMILLE * (needs[-1] - needs[0]) / (10 * (largest_ul - smallest_ul)))
    fixed = max(math.ceil(PERMILLE * need - slope * 10 * volume) for need, volume in zip(needs, volumes, strict=True))
    return ReserveLine(slope, max(0, fixed))


def safe_count(count: float, *, cv: float, service_level: float) -> float:
    """Return the number of drones that a count with its own error lets one rely on. Never below 0."""
    return max(0.0, count * (1 - NormalDist().inv_cdf(service_level) * cv))


def stock_equivalents(count: float, *, alive_on: int, daily_survival: float, cv: float, service_level: float) -> int:
    """Return a cohort's safe stock in equivalents of day 0. [1/1000]

    Parameters
    ----------
    count : float
        Drones alive on day `alive_on`: counted then, or expected to emerge then. [drones]
    alive_on : int
        Day of the horizon, usually below 0. [d]
    daily_survival : float
        Above 0, at most 1. [-]
    """
    if not 0 < daily_survival <= 1:
        raise ValueError("daily_survival must be above 0 and at most 1")
    return round(PERMILLE * safe_count(count, cv=cv, service_level=service_level) * daily_survival ** (-alive_on))


def day_weights(days: int, *, daily_survival: float) -> tuple[int, ...]:
    """Return how many equivalents one drone taken on each day uses up: ``round(1000 / survival ** day)``."""
    return tuple(round(PERMILLE * daily_survival**-day) for day in range(days))


@dataclass(frozen=True, slots=True)
class Band:
    """A number of drones with its 10 to 90 % band. [drones]"""

    low: float
    mean: float
    high: float


def alive_band(count: float, *, days_later: int, daily_survival: float, cv: float) -> Band:
    """Return the drones still alive some days after they were counted, with the count's error and the luck of each."""
    share = daily_survival ** max(0, days_later)
    mean = count * share
    deviation = math.sqrt((count * cv * share) ** 2 + count * share * (1 - share))
    z = NormalDist().inv_cdf(0.9)
    return Band(max(0.0, mean - z * deviation), mean, mean + z * deviation)


def sum_bands(bands: Sequence[Band]) -> Band:
    """Return the sum of independent numbers: means add, squared half-widths add."""
    mean = sum(band.mean for band in bands)
    low = math.sqrt(sum((band.mean - band.low) ** 2 for band in bands))
    high = math.sqrt(sum((band.high - band.mean) ** 2 for band in bands))
    return Band(max(0.0, mean - low), mean, mean + high)


def learned_share(prior_share: float, concentration: float, *, usable: int, tried: int) -> tuple[float, float]:
    """Return the usable share after a tally, and how sure it is now: the Beta posterior's mean and concentration."""
    if not 0 <= usable <= tried:
        raise ValueError("usable must lie between 0 and tried")
    return (prior_share * concentration + usable) / (concentration + tried), concentration + tried
