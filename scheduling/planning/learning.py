"""What the bench's tallies teach about the usable share of each source, with partial pooling between sources.

A source that was tried little stays near the others, one that was tried much speaks for itself. How alike sources are,
and how alike the days of one source, is learned as well: it is summed over on a grid, so there is no search that
could stop in the wrong place, and nothing here loads a solver.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from .pooling import HIGH, LOW, Ints, places_of, spreads

Array = NDArray[np.float64]

#: Shares at which a source's likelihood is reckoned; half a per cent apart.
SHARES = np.linspace(0.005, 0.995, 199)
_Z = np.linspace(-2.7, 2.7, 9)
#: A first figure of drones lost to soiling is worth so many tried. Our choice. [drones]
_LOST_DRONES = 50
_NEXT_TO_NOTHING = 1e-12


@dataclass(frozen=True, slots=True)
class Tally:
    """Drones of one source tried in one session, and those of them that gave semen. ``age`` [d], where it is known."""

    source: str
    usable: int
    tried: int
    age: int | None = None

    def __post_init__(self) -> None:
        if not 0 <= self.usable <= self.tried:
            raise ValueError(f"tallies: {self.source!r} has {self.usable} usable of {self.tried}")


@dataclass(frozen=True, eq=False, slots=True)
class Tallied:
    """Many tallies in columns: ``names[place]`` is a tally's source; ``age`` is -1 where none is on record. [d]"""

    names: tuple[str, ...]
    place: Ints
    usable: Ints
    tried: Ints
    age: Ints

    @classmethod
    def of(cls, tallies: Sequence[Tally] | Tallied) -> Tallied:
        """In columns, if they are not yet; without those of which no drone was tried."""
        if isinstance(tallies, Tallied):
            return tallies
        rows = [tally for tally in tallies if tally.tried]
        names, place = places_of([tally.source for tally in rows])
        columns = [(tally.usable, tally.tried, -1 if tally.age is None else tally.age) for tally in rows]
        usable, tried, age = np.array(columns, dtype=np.int64).reshape(-1, 3).T
        return cls(names, place, usable, tried, age)

    def placed_in(self, names: Sequence[str]) -> Ints:
        """The places of their sources among other names, which hold them all."""
        at = {name: i for i, name in enumerate(names)}
        return np.array([at[name] for name in self.names], dtype=np.int64)[self.place]


@dataclass(frozen=True, slots=True)
class LearnedShare:
    """The share of a source's drones that will give semen in one session.

    Parameters
    ----------
    mean, kappa : float
        Beta distribution of the share on a day to come: its mean, and how many drones that knowledge is worth. [-]
    low, high : float
        The source's own share, all days together, lies between them with 80 %. [-]
    usable, tried : int
        What it was learned from. [drones]
    """

    mean: float
    kappa: float
    low: float
    high: float
    usable: int = 0
    tried: int = 0


@dataclass(frozen=True, slots=True)
class Learned:
    """What tallies teach, ages left aside: the shares asked for, and what learning by age goes on from.

    Parameters
    ----------
    shares : mapping of source to LearnedShare
    names : tuple of str
        Every source asked for or tried.
    others : ndarray, shape (names, shares), float
        Chances of each source's share as the other sources teach it, its own tallies left out. [-]
    day : float
        The part of the variance that is the days' own. [-]
    """

    shares: Mapping[str, LearnedShare]
    names: tuple[str, ...]
    others: Array
    day: float


def learned_shares(
    tallies: Sequence[Tally],
    sources: Iterable[str],
    *,
    prior_mean: float,
    prior_kappa: float,
    own_means: Mapping[str, float] = MappingProxyType({}),
) -> dict[str, LearnedShare]:
    """Learn the usable share of each source, pooled partially over sources and over days.

    Parameters
    ----------
    tallies : sequence of Tally
        One a source and session, in any order; earlier seasons' too.
    sources : iterable of str
        Whose shares are wanted. One without tallies gets what the others teach.
    prior_mean, prior_kappa : float
        Where it starts: the trade's share, and how surely it holds for one source on one day. [-]
    own_means : mapping of source to float
        Where single sources start instead. [-]

    Returns
    -------
    dict of source to LearnedShare
        Without any tally exactly where it starts.

    Raises
    ------
    ValueError
        When a mean lies not between 0 and 1, or ``prior_kappa`` is not above 0.

    Notes
    -----
    Three levels: the mean of all sources m; a source's share p ~ Beta around m; its share on one day ~ Beta around p,
    of which the usable ones are binomial. Each level adds its part F of m (1 - m) to the variance; before any tally
    the three parts are equal and together 1 / (kappa + 1). The parts and m are summed over on a grid, weighed by their
    likelihood. What is returned for a day to come: mean E p, variance Var p + E[p (1 - p) F_day]. Cost: tallies times
    shares times days' spreads, and sources times shares times grid.
    """
    return dict(
        learned_of(tallies, sources, prior_mean=prior_mean, prior_kappa=prior_kappa, own_means=own_means).shares
    )


def learned_of(
    tallies: Sequence[Tally] | Tallied,
    sources: Iterable[str],
    *,
    prior_mean: float,
    prior_kappa: float,
    own_means: Mapping[str, float] = MappingProxyType({}),
) -> Learned:
    """Learn as `learned_shares` does, and return what learning by age goes on from as well."""
    for name, mean in {"prior_mean": prior_mean, **own_means}.items():
        if not 0 < mean < 1:
            raise ValueError(f"{name} is {mean}, must lie between 0 and 1")
    if prior_kappa <= 0:
        raise ValueError(f"prior_kappa is {prior_kappa}, must be above 0")
    return _shares(Tallied.of(tallies), tuple(dict.fromkeys(sources)), prior_mean, prior_kappa, own_means)


def learned_lost_share(lost: int, tried: int, *, prior: float = 0.0) -> float:
    """Return the share of drones lost to soiling or a wrong eversion, all sources together: it is the hands' share.

    Parameters
    ----------
    lost, tried : int
        Drones. [drones]
    prior : float
        Where it starts, worth `_LOST_DRONES` drones. [-]
    """
    if not 0 <= lost <= tried:
        raise ValueError(f"tallies: {lost} lost of {tried}")
    return (prior * _LOST_DRONES + lost) / (_LOST_DRONES + tried)


def _shares(
    rows: Tallied, wanted: tuple[str, ...], prior_mean: float, prior_kappa: float, owns: Mapping[str, float]
) -> Learned:
    part = level_part(prior_kappa)
    factors, chances = spreads()
    parts = np.minimum(part * factors, 0.9)
    logit = math.log(prior_mean / (1 - prior_mean))
    means = 1 / (1 + np.exp(-logit - logit_spread(prior_mean, part) * _Z))
    names = sorted({*wanted, *rows.names})
    at = {name: i for i, name in enumerate(names)}
    # Chances of (mean of all, spread between sources), and of a source's share under each of them.
    grid = np.array([(mean, between) for mean in means for between in parts])
    grid_chances = np.log(np.outer(chances, chances).ravel())
    common = beta_chances(grid[:, 0], grid[:, 1])
    own = {name: beta_chances(np.full(len(grid), owns[name]), grid[:, 1]) for name in names if name in owns}
    place = rows.placed_in(names)
    numbers = counted_of(place, rows.usable, rows.tried, sources=len(names))
    logs, moments = [], []
    for day, chance in zip(parts, chances, strict=True):
        chances_of = likelihoods(numbers, 1 / day - 1)
        top = chances_of.max(axis=1, keepdims=True)
        seen = np.exp(chances_of - top)
        evidence = seen @ common.T
        first, second = (seen * SHARES) @ common.T, (seen * SHARES**2) @ common.T
        for name, mine in own.items():
            i = at[name]
            evidence[i] = mine @ seen[i]
            first[i], second[i] = mine @ (seen[i] * SHARES), mine @ (seen[i] * SHARES**2)
        logs.append(np.log(evidence).sum(axis=0) + float(top.sum()) + grid_chances + math.log(chance))
        moments.append((seen, evidence, first / evidence, second / evidence))
    weights = np.exp(np.array(logs) - max(float(log.max()) for log in logs))
    weights /= weights.sum()
    others = np.zeros((len(names), len(SHARES)))
    for w, m in zip(weights, moments, strict=True):
        if w.sum() < _NEXT_TO_NOTHING:
            continue
        cavity = w / m[1]
        for_all = cavity @ common
        for name, mine in own.items():
            for_all[at[name]] = cavity[at[name]] @ mine
        others += w.sum() * for_all / for_all.sum(axis=1, keepdims=True)
    usable_of, tried_of = (np.bincount(place, drones, len(names)) for drones in (rows.usable, rows.tried))
    learned = {}
    for name in wanted:
        i = at[name]
        mine = own.get(name, common)
        mean = sum(float(w @ m[2][i]) for w, m in zip(weights, moments, strict=True))
        square = sum(float(w @ m[3][i]) for w, m in zip(weights, moments, strict=True))
        apart = sum(day * float(w @ (m[2][i] - m[3][i])) for day, w, m in zip(parts, weights, moments, strict=True))
        density = sum((w / m[1][i]) @ mine * m[0][i] for w, m in zip(weights, moments, strict=True))
        low, high = (quantile(np.asarray(density), share) for share in (LOW, HIGH))
        kappa = mean * (1 - mean) / (square - mean**2 + apart) - 1
        if not len(place):  # exactly where it starts, not where the grid's edges leave it
            mean, kappa = owns.get(name, prior_mean), prior_kappa
        learned[name] = LearnedShare(float(mean), float(kappa), low, high, int(usable_of[i]), int(tried_of[i]))
    return Learned(MappingProxyType(learned), tuple(names), others, float(parts @ weights.sum(axis=1)))


def level_part(prior_kappa: float) -> float:
    """Return the part of the variance that each of the three levels adds before any tally. [-]"""
    return float(1 - (1 - 1 / (prior_kappa + 1)) ** (1 / 3))


def logit_spread(mean: float, part: float) -> float:
    """Return the standard deviation on the logit scale that is worth such a part of the variance of a share. [-]"""
    return math.sqrt(part / (mean * (1 - mean)))


def beta_chances(means: Array, parts: Array, shares: Array = SHARES) -> Array:
    """Chances of each share under Beta distributions of these means and parts of the variance; rows sum up to 1."""
    worth = (1 / parts - 1)[:, None]
    a, b = means[:, None] * worth, (1 - means[:, None]) * worth
    logs = (a - 1) * np.log(shares) + (b - 1) * np.log1p(-shares)
    chances = np.exp(logs - logs.max(axis=1, keepdims=True))
    return np.asarray(chances / chances.sum(axis=1, keepdims=True))


@dataclass(frozen=True, slots=True)
class Counted:
    """How often each source had each number of drones: usable, not usable, tried; shape (sources, numbers)."""

    usable: Array
    failed: Array
    tried: Array


def counted_of(place: Ints, usable: Ints, tried: Ints, *, sources: int) -> Counted:
    """Count tallies of so many sources, of which each has its ``place``."""
    shape = sources, int(tried.max(initial=0)) + 1

    def times(drones: Ints) -> Array:
        counted = np.bincount(place * shape[1] + drones, minlength=shape[0] * shape[1])
        return np.asarray(counted.reshape(shape), dtype=float)

    return Counted(times(usable), times(tried - usable), times(tried))


def likelihoods(counted: Counted, kappa: float) -> Array:
    """Return each source's log likelihood at each share, shape (sources, shares), when its days are worth kappa.

    Beta-binomial, from sums of log(a + j): nothing but tables, each taken as often as its numbers were counted.
    """
    steps = np.arange(counted.tried.shape[1] - 1)

    def risen(a: Array) -> Array:
        table = np.zeros((len(a), len(steps) + 1))
        np.cumsum(np.log(a[:, None] + steps), axis=1, out=table[:, 1:])
        return table

    usable, failed, all_of = risen(SHARES * kappa), risen((1 - SHARES) * kappa), risen(np.array([kappa]))
    return np.asarray(counted.usable @ usable.T + counted.failed @ failed.T - counted.tried @ all_of.T)


def quantile(density: Array, probability: float, shares: Array = SHARES) -> float:
    """Return a quantile of shares that lie evenly, each standing for half a step on either side. [-]"""
    below = np.cumsum(density) / density.sum()
    return float(np.interp(probability, below, shares + (shares[1] - shares[0]) / 2))
