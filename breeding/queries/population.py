"""The population by its pedigree: inbreeding and coancestry by year, completeness, founders, effective size.

The numbers are worked out in `population_kernel`, loaded with the first question alone, and kept until anything of
the cooperative is written again.
"""

from dataclasses import dataclass

from django.core.cache import cache

from accounts.models import Cooperative
from accounts.queries.changes import changes_mark
from breeding.models import Queen

KEPT_SECONDS = 7 * 24 * 3600


@dataclass(frozen=True)
class Year:
    """Queens born in one year; shares of 1. `coancestry`: between two different ones, None for a single queen."""

    year: int
    queens: int
    inbreeding: float
    coancestry: float | None
    known_generations: float


@dataclass(frozen=True)
class Size:
    """An effective population size in queens; None where nothing rises. `rate` in a generation, `used` values."""

    size: float | None
    error: float | None
    rate: float
    used: int


@dataclass(frozen=True)
class Ancestor:
    """`queen` None: drones or queens that nobody named. `share` of the reference queens' genes not explained by
    ancestors named before."""

    queen: Queen | None
    share: float


@dataclass(frozen=True)
class Population:
    """Reference are the living queens, without any the youngest year.

    `completeness`: share of ancestors known 1, 2, … generations back. Effective numbers None: without end.
    `interval_mothers`, `interval_drones`: mean age of mothers, of the drones' mothers, at the birth of daughters
    [years], None where years are missing.
    """

    queens: int
    reference: int
    inbreeding: float
    coancestry: float | None
    known_generations: float
    completeness: list[float]
    years: list[Year]
    founders: float | None
    ancestors: float | None
    genomes: float | None
    main: list[Ancestor]
    interval_mothers: float | None
    interval_drones: float | None
    by_inbreeding: Size
    by_coancestry: Size

    @property
    def interval(self) -> float | None:
        """Mean of both paths [years]."""
        known = [years for years in (self.interval_mothers, self.interval_drones) if years is not None]
        return sum(known) / len(known) if known else None


def population_of(cooperative: Cooperative) -> Population | None:
    """The figures; None while no queen is registered."""
    key = f"population:{cooperative.pk}:{':'.join(map(str, changes_mark(cooperative.pk)))}"
    kept: Population | None = cache.get(key)
    if kept is None and Queen.objects.filter(cooperative=cooperative).exists():
        from breeding.queries import population_kernel

        kept = population_kernel.figures(cooperative)
        cache.set(key, kept, KEPT_SECONDS)
    return kept
