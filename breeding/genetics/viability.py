"""Sex locus: expected brood viability of matings and crosses by forward simulation."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from breeding.genetics.crosses import Cross
from breeding.genetics.pedigree import Pedigree

WARN_BELOW = 0.85
WARN_STRONGLY_BELOW = 0.75


@dataclass(frozen=True, slots=True)
class Viability:
    """Share of fertilised eggs that become workers: mean, its simulation error, 5 to 95 % range.

    ``inbreeding_only`` is the quick formula (1 - F)(1 - sum p^2), for comparison.
    """

    expected: float
    se: float
    low5: float
    high95: float
    inbreeding_only: float


@dataclass(frozen=True, slots=True)
class ViabilityResult:
    matings: Mapping[str, Viability]
    crosses: tuple[Viability, ...]


def brood_viability(
    pedigree: Pedigree,
    *,
    alleles: int | Mapping[str, float],
    rng: np.random.Generator,
    matings: Sequence[str] = (),
    crosses: Sequence[Cross] = (),
    genotypes: Mapping[str, Sequence[str]] | None = None,
    replicates: int = 20_000,
) -> ViabilityResult:
    """Viability of recorded matings (by queen) and planned crosses.

    ``alleles``: number N of equally frequent alleles named a1 ... aN, or name -> frequency.
    ``genotypes``: queen -> two alleles, ``d:drone`` -> one allele, held fixed.
    """
    raise NotImplementedError
