"""The population in numbers, from the pedigree's arrays: linear in the number of queens."""

import math

import numpy as np

from accounts.models import Cooperative
from breeding.genetics import population as kernel
from breeding.genetics.nodes import NodeTable, node_table
from breeding.genetics.relationship import known_generations
from breeding.genetics.types import Ints
from breeding.models import Queen
from breeding.queries.pedigree_arrays import Stock, stock_of
from breeding.queries.population import Ancestor, Population, Size, Year

NAMED = 8


def figures(cooperative: Cooperative) -> Population:
    """See `population.population_of`; the cooperative has a queen at least."""
    stock = stock_of(cooperative)
    table = node_table(stock.plan)
    known = known_generations(table)
    born: list[int | None] = [year or None for year in stock.birth_year.tolist()]
    reference = _reference(stock)
    cohorts = kernel.cohorts_by_year(table, born, known)
    behind = kernel.founders(table, reference)
    mothers, drones = kernel.generation_intervals(table, born)
    ages = [age for age in (mothers, drones) if not math.isnan(age)]
    interval = sum(ages) / len(ages) if ages else 0.0
    return Population(
        queens=len(stock.pk),
        reference=len(reference),
        inbreeding=float(table.F[reference].mean()),
        coancestry=_known(kernel.mean_coancestry_between(table, reference)),
        known_generations=float(known[reference].mean()),
        completeness=kernel.completeness(table, reference).tolist(),
        years=[Year(c.year, c.queens, c.inbreeding, _known(c.coancestry), c.known_generations) for c in cohorts],
        founders=_known(behind.founders),
        ancestors=_known(behind.ancestors),
        genomes=_known(behind.genomes),
        main=_named(table, behind),
        interval_mothers=_known(mothers),
        interval_drones=_known(drones),
        by_inbreeding=_size(kernel.effective_size_by_inbreeding(table.F[reference], known[reference])),
        by_coancestry=_size(kernel.effective_size_by_coancestry(cohorts, interval)),
    )


def _reference(stock: Stock) -> Ints:
    living = np.flatnonzero(stock.is_living)
    return living if len(living) else np.flatnonzero(stock.birth_year == stock.birth_year.max())


def _named(table: NodeTable, behind: kernel.Founders) -> list[Ancestor]:
    index, n = table.layout.index, table.layout.n_queens
    rows = [(name, share) for name, share in behind.main[:NAMED]]
    pks = [int(name) for name, _ in rows if index.get(name, n) < n]
    queens = Queen.objects.in_bulk(pks)
    return [Ancestor(queens.get(int(name)) if index.get(name, n) < n else None, share) for name, share in rows]


def _size(found: kernel.EffectiveSize) -> Size:
    return Size(found.size, found.se, found.rate, found.used)


def _known(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None
