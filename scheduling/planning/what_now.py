"""Drones run out at the bench: who still gets a full dose, who moves. Reckoned in milliseconds, on whole numbers."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

from .chances import beta_binomial_log_chance

#: A queen is promised her dose from this chance on, and moved below the other. Between them she waits. Our choice.
SURE = 0.8
HOPELESS = 0.2
#: So many drones' worth of earlier knowledge stand beside the volume read today. Our choice. [drones]
VOLUME_PRIOR_DRONES = 10


@dataclass(frozen=True, slots=True)
class SourceNow:
    """One source at this moment of the session.

    Parameters
    ----------
    left : int
        Semen in its open lots. [0.1 µl]
    usable, tried : int
        Drones tallied today.
    drones_left : int
        Drones that are still to be tried.
    collected : int
        Read from the syringe today. [0.1 µl]
    share_mean, share_kappa : float
        What was known of the usable share before today: mean and how many drones it is worth. [-]
    tenths_per_drone : float
        What was known of the volume per usable drone before today. [0.1 µl]
    """

    left: int
    usable: int
    tried: int
    drones_left: int
    collected: int
    share_mean: float
    share_kappa: float
    tenths_per_drone: float

    def __post_init__(self) -> None:
        if min(self.left, self.usable, self.drones_left, self.collected) < 0 or self.usable > self.tried:
            raise ValueError("left, usable, drones_left and collected must not be below 0, usable not above tried")
        if not 0 < self.share_mean < 1 or self.share_kappa <= 0 or self.tenths_per_drone <= 0:
            raise ValueError("share_mean must lie between 0 and 1, share_kappa and tenths_per_drone above 0")

    @property
    def share(self) -> tuple[float, float]:
        """The Beta posterior of the usable share: what was known, and today's tallies."""
        a = self.share_mean * self.share_kappa + self.usable
        return a, (1 - self.share_mean) * self.share_kappa + self.tried - self.usable

    @property
    def per_drone(self) -> float:
        """Volume per usable drone: what was known, and today's reading. [0.1 µl]"""
        known = VOLUME_PRIOR_DRONES * self.tenths_per_drone
        if not self.usable or not self.collected:
            return self.tenths_per_drone
        return (known + self.collected) / (VOLUME_PRIOR_DRONES + self.usable)


@dataclass(frozen=True, slots=True)
class Outlook:
    """Semen a source can still give, with what is left: mean and the 10 % and 90 % limits. [0.1 µl]"""

    low: int
    mean: int
    high: int


class Fate(StrEnum):
    DOSE = "dose"
    WAIT = "wait"
    MOVE = "move"


@dataclass(frozen=True, slots=True)
class Verdict:
    fate: Fate
    chance: float


def outlook(source: SourceNow) -> Outlook:
    tail = _tail(source)
    a, b = source.share
    mean = source.left + source.drones_left * a / (a + b) * source.per_drone

    def limit(chance: float) -> int:
        """The most that comes with at least this chance."""
        usable = max((k for k in range(len(tail)) if tail[k] >= chance), default=0)
        return source.left + math.floor(usable * source.per_drone)

    return Outlook(limit(0.9), round(mean), limit(0.1))


def what_now(sources: Mapping[str, SourceNow], queens: Sequence[tuple[str, str, int]]) -> dict[str, Verdict]:
    """Go through the queens who wait, in the order of fairness; each takes a full dose of what her source can give.

    Parameters
    ----------
    sources : mapping of source to SourceNow
    queens : sequence of (queen, source, dose)
        First come those who have the first claim. Doses in tenths of a microlitre.

    Returns
    -------
    dict of queen to Verdict
        `chance`: that the source gives what all queens up to her need. A full dose for fewer queens comes before a
        thin dose for all, so a queen who is moved takes nothing from those behind her.

    Raises
    ------
    ValueError
        When a queen's source is not among the sources or her dose is not above 0.
    """
    tails = {name: _tail(source) for name, source in sources.items()}
    taken: dict[str, int] = defaultdict(int)
    verdicts = {}
    for queen, name, dose in queens:
        if name not in sources or dose < 1:
            raise ValueError(f"queens: {queen!r} needs a known source and a dose above 0")
        chance = _chance_of(taken[name] + dose, sources[name], tails[name])
        fate = Fate.DOSE if chance >= SURE else Fate.MOVE if chance < HOPELESS else Fate.WAIT
        if fate is not Fate.MOVE:
            taken[name] += dose
        verdicts[queen] = Verdict(fate, chance)
    return verdicts


def _tail(source: SourceNow) -> list[float]:
    """Chance that at least k of the drones that are left are usable, for k = 0 … drones_left."""
    a, b = source.share
    n = source.drones_left
    tail = [0.0] * (n + 1)
    total = 0.0
    for k in range(n, -1, -1):
        total += math.exp(beta_binomial_log_chance(k, n, a, b))
        tail[k] = min(1.0, total)
    return tail


def _chance_of(tenths: int, source: SourceNow, tail: Sequence[float]) -> float:
    missing = tenths - source.left
    if missing <= 0:
        return 1.0
    drones = math.ceil(missing / source.per_drone - 1e-9)
    return tail[drones] if drones < len(tail) else 0.0
