"""Drones and semen: from counts to a safe number of drones and of microlitres.

Three uncertain steps lie between a comb of drone brood and a dose: how many drones there are, which share of them
gives semen, and how much each gives. Here each is a distribution; the planner gets safe quantiles of them.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import pairwise
from typing import Literal

from .chances import beta_binomial_quantile, normal_quantile

CountKind = Literal["laid", "capped", "emerged", "seen"]

_UL10_PER_UL = 10
_MD_PER_DRONE = 1000
#: Of the shortages allowed, the part that is left to errors of the counts.
_FOR_COUNTS = 0.1
#: Volumes at which a reserve line is held above the safe number of drones.
_LINE_POINTS = 60


@dataclass(frozen=True, slots=True)
class Count:
    """One count of a cohort.

    Parameters
    ----------
    kind : {"laid", "capped", "emerged", "seen"}
        What was counted.
    day : int
        When. [d]
    drones : int
        How many. [drones]
    cv : float
        Its error, coefficient of variation. [-]
    """

    kind: CountKind
    day: int
    drones: int
    cv: float


@dataclass(frozen=True, slots=True)
class Yield:
    """What a drone of a source gives.

    Parameters
    ----------
    usable_fraction : float
        Mean share of drones that give semen. [-]
    kappa : float
        How surely that share is known: concentration of its Beta distribution. [-]
    ul_per_drone, cv_volume : float
        Mean volume of a usable drone and its coefficient of variation. [µl], [-]
    """

    usable_fraction: float
    kappa: float
    ul_per_drone: float
    cv_volume: float

    def __post_init__(self) -> None:
        if not 0 < self.usable_fraction <= 1:
            raise ValueError(f"usable_fraction is {self.usable_fraction}, must lie above 0 and up to 1")
        if self.kappa <= 0 or self.ul_per_drone <= 0 or self.cv_volume < 0:
            raise ValueError("kappa and ul_per_drone must be above 0, cv_volume not below 0")

    def moments(self, drones: float) -> tuple[float, float]:
        """Return mean and standard deviation of the volume of so many drones. [µl]

        Notes
        -----
        With m drones, share f known to concentration kappa, volume v with coefficient cv: mean m f v,
        variance m v² f (1 - f + cv²) + m (m - 1) v² f (1 - f) / (kappa + 1).
        """
        f, v = self.usable_fraction, self.ul_per_drone
        own = drones * v * v * f * (1 - f + self.cv_volume**2)
        shared = drones * (drones - 1) * v * v * f * (1 - f) / (self.kappa + 1)
        return drones * f * v, math.sqrt(max(0.0, own + shared))

    def usable_quantile(self, drones: int, probability: float) -> int:
        """Return the beta-binomial quantile of the usable ones among so many drones. [drones]"""
        if self.usable_fraction == 1:
            return drones
        a, b = self.usable_fraction * self.kappa, (1 - self.usable_fraction) * self.kappa
        return beta_binomial_quantile(probability, drones, a, b)


@dataclass(frozen=True, slots=True)
class Emerged:
    """How many drones emerged, and how many of those were taken since.

    Parameters
    ----------
    mean, cv : float
        Of those that emerged. [drones], [-]
    day : int
        Of emergence. [d]
    gone : float
        Taken since, as if so many fewer had emerged. [drones]

    Notes
    -----
    One distribution stands behind the band that is shown, the stock that is planned with and the draws that hold it
    against the truth: normal, cut off at nothing. With it drones taken are subtracted after the quantile, and the doubt
    about the rest stays as large as it was, in drones: a quantile moves by what was taken, whichever comes first. A
    log-normal one would not do that, and the stocks of exchange files are normal quantiles. At the errors of counts
    that occur the two differ little: the 10 % point at a cv of 12 % is 0.846 of the mean here, 0.852 there.
    """

    mean: float
    cv: float
    day: int
    gone: float = 0.0

    def on(self, day: int, survival_per_day: float) -> float:
        """Return the mean number alive on a day, less those taken. [drones]"""
        return float(max(0.0, self.mean - self.gone) * survival_per_day ** max(0, day - self.day))

    def quantile(self, probability: float, day: int, survival_per_day: float) -> float:
        """Return a quantile of the number alive on a day, less those taken. [drones]"""
        left = self.mean * (1 + normal_quantile(probability) * self.cv) - self.gone
        return float(max(0.0, left) * survival_per_day ** max(0, day - self.day))

    def times(self, share: float) -> Emerged:
        """Return that share of them: of those there are, and of those taken."""
        return replace(self, mean=self.mean * share, gone=self.gone * share)


def emerged_from_counts(
    counts: Sequence[Count], *, emerge_day: int, shares: Mapping[CountKind, float], survival_per_day: float
) -> Emerged | None:
    """Combine the counts of a cohort into the number that emerged.

    Parameters
    ----------
    counts : sequence of Count
    emerge_day : int
        Day of emergence. [d]
    shares : mapping of kind to float
        For ``laid`` and ``capped`` the share that will emerge, for ``seen`` the share of living drones that one
        sees. A missing kind is 1. [-]
    survival_per_day : float
        Daily survival after emergence. [-]

    Returns
    -------
    Emerged or None
        None without counts. A count of nothing says that there is nothing.

    Raises
    ------
    ValueError
        When a share or an error is not above 0.

    Notes
    -----
    Each count, brought back to the day of emergence, is an independent estimate with an error in proportion to it, so
    they are averaged on the log scale, weighed by inverse variances there. One count alone is the mean as it stands.
    """
    logs, precisions = [], []
    for count in counts:
        share = shares.get(count.kind, 1.0)
        if share <= 0 or count.cv <= 0:
            raise ValueError(f"counts: share and cv of {count.kind!r} must be above 0")
        if count.drones <= 0:
            return Emerged(0.0, 0.0, emerge_day)
        if count.kind in ("laid", "capped"):
            estimate = count.drones * share
        elif count.kind == "seen":
            estimate = count.drones / share / survival_per_day ** max(0, count.day - emerge_day)
        else:
            estimate = float(count.drones)
        logs.append(math.log(estimate))
        precisions.append(1 / math.log1p(count.cv**2))
    if not logs:
        return None
    precision = sum(precisions)
    middle = sum(w * x for w, x in zip(precisions, logs, strict=True)) / precision
    return Emerged(math.exp(middle), math.sqrt(math.expm1(1 / precision)), emerge_day)


def after_taking(emerged: Emerged, taken: Mapping[int, float], *, survival_per_day: float) -> Emerged:
    """Return what is left of a cohort of which drones were taken, as if so many fewer had emerged.

    Parameters
    ----------
    emerged : Emerged
        With those that were taken.
    taken : mapping of day to float
        Taken alive. [d], [drones]
    survival_per_day : float
        Daily survival after emergence. [-]

    Notes
    -----
    Those taken would have been fewer by today as well. The doubt about the rest stays as large as it was, in drones.
    """
    return replace(emerged, gone=emerged.gone + _as_emerged(taken, emerged.day, survival_per_day))


def with_those_taken(count: Count, taken: Mapping[int, float], *, survival_per_day: float) -> Count:
    """Return a count of living drones as it would have been had none been taken before its day."""
    if count.kind != "seen":
        return count
    before = {day: drones for day, drones in taken.items() if day < count.day}
    return replace(count, drones=count.drones + round(_as_emerged(before, count.day, survival_per_day)))


def _as_emerged(taken: Mapping[int, float], day: int, survival_per_day: float) -> float:
    """Return how many drones of one day those taken on others stand for. [drones]"""
    return float(sum(drones * survival_per_day ** (day - taken_on) for taken_on, drones in taken.items()))


def drones_on_the_mean(volume_ul: float, gives: Yield) -> int:
    """Return the drones that give a volume on average, with no safety at all. [drones]"""
    return math.ceil(volume_ul / (gives.usable_fraction * gives.ul_per_drone) - 1e-9)


def safe_drones(volume_ul: float, gives: Yield, *, level: float) -> int:
    """Return the smallest number of drones that gives a volume with a chance of at least the level.

    Parameters
    ----------
    volume_ul : float
        Volume wanted. [µl]
    gives : Yield
    level : float
        Service level, such as 0.9. [-]

    Returns
    -------
    int
        By the normal quantile of the volume: smallest m with mean - z sd >= volume. [drones]

    Raises
    ------
    ValueError
        When no number will do because the share itself is too uncertain for the level.
    """
    if volume_ul <= 0:
        return 0
    return max(1, math.ceil(_safe_real(volume_ul, gives, level) - 1e-9))


def line_level(level: float) -> float:
    """Return the level at which a reserve line is fitted, so that sessions keep the service level altogether.

    Notes
    -----
    A session is short when its drones give too little, or when they are not there: counts err as well, and what one
    session takes is missing for the next. A tenth of the shortages allowed is left to the counts: with counts of a cv
    of 12 % sessions then run short in 9.3 % of the cases at 90 %, without it in 10.3 % (`service_curve`). Our choice.
    At a half nothing is left: that is planning on the mean.
    """
    return 1 - (1 - level) * (1 - _FOR_COUNTS * min(1.0, max(0.0, (level - 0.5) / 0.3)))


def reachable(gives: Yield, *, level: float) -> Yield:
    """Return the yield, no less sure of its share than a service level needs to be reached with a finite number.

    Notes
    -----
    Below ``kappa + 1 = z² (1 - f) / f`` no number of drones is enough. At twice that the safe number is about 3.4 times
    the mean's: more than anybody would bring.
    """
    z = max(0.0, normal_quantile(level))
    least = 2 * z * z * (1 - gives.usable_fraction) / gives.usable_fraction - 1
    return gives if gives.kappa >= least else replace(gives, kappa=least)


@lru_cache(maxsize=512)  # the same few yields are asked for with every look at the plan board
def reserve_line(gives: Yield, *, level: float, least_ul: float, most_ul: float) -> tuple[int, int]:
    """Return the lowest reserve line on or above the safe number of drones.

    Parameters
    ----------
    gives : Yield
    level : float
        Service level. [-]
    least_ul, most_ul : float
        Volumes that occur in one source-session. [µl]

    Returns
    -------
    md_per_ul10, md_fixed : int
        A volume of v tenths of a microlitre reserves ``md_per_ul10 * v + md_fixed`` thousandths of a drone.

    Notes
    -----
    Of all lines nowhere below the safe number (as a real number, at `_LINE_POINTS` volumes) the one with the
    least excess on average lies along the edge of the upper hull above the mean volume. The curve bends down
    at small volumes, where the spread of single drones counts, and is nearly straight beyond.
    """
    if not 0 < least_ul < most_ul:
        raise ValueError("least_ul must be above 0 and below most_ul")
    step_ul = (most_ul - least_ul) / (_LINE_POINTS - 1)
    volumes = [least_ul + step_ul * number for number in range(_LINE_POINTS)]
    points = [(volume, _safe_real(volume, gives, level)) for volume in volumes]
    hull: list[tuple[float, float]] = []
    for point in points:
        while len(hull) > 1 and _bends_up(hull[-2], hull[-1], point):
            hull.pop()
        hull.append(point)
    middle = (least_ul + most_ul) / 2
    left, right = next(edge for edge in pairwise(hull) if edge[1][0] >= middle)
    per_ul = (right[1] - left[1]) / (right[0] - left[0])
    slope = math.ceil(per_ul / _UL10_PER_UL * _MD_PER_DRONE - 1e-9)
    fixed = max(drones * _MD_PER_DRONE - slope * volume * _UL10_PER_UL for volume, drones in points)
    return slope, max(0, math.ceil(fixed - 1e-9))


def _bends_up(a: tuple[float, float], b: tuple[float, float], c: tuple[float, float]) -> bool:
    return (b[1] - a[1]) * (c[0] - a[0]) <= (c[1] - a[1]) * (b[0] - a[0])


def safe_stock_eq(
    emerged: Emerged,
    *,
    level: float,
    survival_per_day: float,
    weighed_per_day: float | None = None,
    days: tuple[int, int] = (0, 0),
) -> int:
    """Return the safe quantile of a cohort's stock in emergence equivalents of day 0. [1/1000]

    Parameters
    ----------
    emerged : Emerged
    level : float
        Service level. [-]
    survival_per_day : float
        Of these drones. [-]
    weighed_per_day : float, optional
        Survival behind the weights of the season's days, where it is another one. [-]
    days : (int, int)
        First and last day on which the cohort may be taken. [d]

    Notes
    -----
    A drone alive on day d counts ``survival ** -d``, so the cohort is one number whenever it is taken. Weighed by
    another survival it is as many on no two days; the fewest, on the first or the last day, can be relied on.
    """
    ratio = survival_per_day / (weighed_per_day or survival_per_day)
    safe = emerged.quantile(1 - level, emerged.day, survival_per_day)
    at_zero = safe * survival_per_day ** (-emerged.day) * min(ratio ** days[0], ratio ** days[1])
    return math.floor(at_zero * 1000)


def day_weights(days: int, survival_per_day: float) -> tuple[int, ...]:
    """Return the emergence equivalents that one drone taken on each day uses. [1/1000]"""
    if not 0 < survival_per_day <= 1:
        raise ValueError(f"survival_per_day is {survival_per_day}, must lie above 0 and up to 1")
    return tuple(round(1000 * survival_per_day**-day) for day in range(days))


def _safe_real(volume_ul: float, gives: Yield, level: float) -> float:
    """Solve ``mean - z sd = volume`` for a real number of drones: a quadratic in it.

    Of its two roots the larger one lies above the mean, for levels from a half; the smaller one below it.
    """
    if not 0 < level < 1:
        raise ValueError(f"level is {level}, must lie between 0 and 1")
    f, v, z = gives.usable_fraction, gives.ul_per_drone, normal_quantile(level)
    shared = v * v * f * (1 - f) / (gives.kappa + 1)
    own = v * v * f * (1 - f + gives.cv_volume**2) - shared
    squared = (f * v) ** 2 - z * z * shared
    if squared <= 0:
        raise ValueError(f"level {level} cannot be reached: the usable share is too uncertain")
    root = z * math.sqrt(f * v * volume_ul * own + (z * own / 2) ** 2 + shared * volume_ul**2)
    return (f * v * volume_ul + z * z * own / 2 + root) / squared
