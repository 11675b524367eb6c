"""Planned crosses: what to expect of a queen inseminated with given drone-producing queens."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from breeding.genetics.pedigree import Pedigree


@dataclass(frozen=True, slots=True)
class Cross:
    """``sources``: drone-producing queen -> share of the semen; shares need no fixed sum."""

    queen: str
    sources: Mapping[str, float]
    n_drones: int | None = None


@dataclass(frozen=True, slots=True)
class EffectValues:
    """Worker and queen effect of one queen, trait -> value in the trait's unit."""

    worker: Mapping[str, float]
    queen: Mapping[str, float]


@dataclass(frozen=True, slots=True)
class CrossTrait:
    """``worker``, ``queen``: mean effects of workers and daughters; ``performance``: of the colony.

    ``daughter_sd``: standard deviation of worker + queen effect between daughters around their mean.
    """

    worker: float
    queen: float
    performance: float
    daughter_sd: float | None = None

    @property
    def daughters(self) -> float:
        """Expected worker + queen effect of daughters raised from the cross."""
        return self.worker + self.queen


@dataclass(frozen=True, slots=True)
class CrossResult:
    cross: Cross
    worker_inbreeding: float
    traits: Mapping[str, CrossTrait]
    merit: float | None


def plan_crosses(
    pedigree: Pedigree,
    crosses: Sequence[Cross],
    values: Mapping[str, EffectValues] | None = None,
    *,
    weights: Mapping[str, float] | None = None,
    genetic_sd: Mapping[str, float] | None = None,
) -> list[CrossResult]:
    """Expected inbreeding, values and merit of each cross, in the order given.

    ``values`` may come from a stored run; ``genetic_sd`` is ``parameters.genetic_sd(parameters)``.
    """
    raise NotImplementedError
