"""Mean kinship of the next generation for mothers and sources used in given proportions.

The numbers are worked out in `contribution_kernel`, which is loaded with the first question alone.
"""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

#: Daughters by mother, and semen by drone-producing queen, by primary key and in any unit.
KinshipUse = tuple[Mapping[int, float], Mapping[int, float]]


@dataclass(frozen=True)
class Kinship:
    """`now`: mean coancestry between two different candidates; None with a single one. `of_uses`: of each use."""

    now: float | None
    of_uses: tuple[float, ...]


def kinship_of(mothers: Collection[int], sources: Collection[int], uses: Sequence[KinshipUse]) -> Kinship:
    """Mean coancestry of the generation that each use would give, as a plan of contributions counts it.

    `mothers` and `sources` are the candidates; each use names some of them, with a weight above 0 for one of both at
    the least. Half of the next generation comes from the mothers' daughters, half from the sources' own genes.
    """
    from breeding.queries import contribution_kernel

    return contribution_kernel.kinship(mothers, sources, uses)


def ceiling_after(now: float, rate: float) -> float:
    """Coancestry one generation later at a rate of rise."""
    return now + rate * (1.0 - now)


def kinship_between(queens: Sequence[int]) -> list[list[float]]:
    """Kinship (coancestry) of each queen, by primary key, with each: two genes drawn from both are alike by descent.

    It is what the inbreeding of a daughter would be whose parents are a drone of the one and the other herself.
    """
    from breeding.queries import contribution_kernel

    return contribution_kernel.between(queens)
