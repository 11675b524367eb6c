"""Times of what plans a generation: contributions, all crosses at once, allocation, figures of the population.

    OMP_NUM_THREADS=1 OPENBLAS_NUM_THREADS=1 python -m benchmarks.plans

CPU seconds of one thread on simulated pedigrees of 15 generations, seeds fixed. Measured, not asserted.
"""

import resource
import time
from collections.abc import Callable
from functools import partial
from typing import Any

import numpy as np

from benchmarks.populations import population
from breeding.genetics.allocation import allocate
from breeding.genetics.contributions import optimum_contributions
from breeding.genetics.crosses import EffectValues, cross_table
from breeding.genetics.nodes import NodeTable, node_table
from breeding.genetics.population import cohorts_by_year, completeness, founders
from breeding.genetics.relationship import known_generations
from breeding.genetics.viability import viability_table

GENERATIONS = 15
BRED = 0.1


def timed(what: str, work: Callable[[], Any], repeats: int = 1) -> Any:
    """Print the smallest CPU time of some repeats, and the peak memory so far."""
    best = np.inf
    for _ in range(repeats):
        start = time.process_time()
        found = work()
        best = min(best, time.process_time() - start)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"  {best:9.3f} s  {what:<64} peak {peak:6.0f} MB")
    return found


def stock(colonies: int) -> NodeTable:
    rng = np.random.default_rng(colonies)
    return node_table(population(colonies, bred=BRED, generations=GENERATIONS, rng=rng).plan)


def contributions(candidates: int) -> None:
    """Half of the candidates on each path, from the youngest generation and the one before."""
    table = stock(max(10_000, 8 * candidates))
    rng = np.random.default_rng(1)
    youngest = table.queen_ids[-(candidates // 2) :]
    value = rng.normal(size=len(youngest))
    dams = dict(zip(youngest, value.tolist(), strict=True))
    drones = dict(zip(youngest, (value + rng.normal(size=len(youngest))).tolist(), strict=True))
    curve = timed(
        f"least coancestry of {candidates} candidates", lambda: optimum_contributions(table, dams, drones, []), 3
    )
    for factor in (1.1, 1.5):
        theta = factor * curve.min_coancestry
        made = timed(
            f"the same and the optimum at {factor} times the least",
            partial(optimum_contributions, table, dams, drones, [theta]),
            3,
        )
        one = made.solutions[0]
        used = [sum(share > 1e-6 for share in path.values()) for path in (one.dam_path, one.drone_path)]
        print(f"             {one.status}, conditions to {one.kkt:.0e}, uses {used[0]} and {used[1]}")


def crosses(mothers: int, sources: int) -> None:
    """Every mother with every source: values, inbreeding, and viability by 10,000 drops of the sex locus."""
    table = stock(3_000)
    queens = table.queen_ids
    rng = np.random.default_rng(2)
    rows, columns = queens[-mothers:], queens[-400 : -400 + sources]
    effects = {q: EffectValues({"honey": rng.normal()}, {"honey": rng.normal()}) for q in {*rows, *columns}}
    timed(
        f"values and inbreeding of {mothers} x {sources} crosses",
        lambda: cross_table(
            table, rows, columns, n_drones=8, values=effects, traits=["honey"], G0=np.eye(2), weights={"honey": 1.0}
        ),
        3,
    )
    found = timed(
        f"brood viability of {mothers} x {sources} crosses, 10,000 drops",
        lambda: viability_table(table, rows, columns, n_drones=8, alleles=20, rng=np.random.default_rng(3)),
        3,
    )
    print(f"             largest simulation error of a mean {found.se.max():.4f}")


def allocation(queens: int) -> None:
    rng = np.random.default_rng(4)
    values = rng.random((60, 30))
    numbers = rng.multinomial(queens, np.full(60, 1 / 60))
    room = rng.multinomial(queens, np.full(30, 1 / 30)) + 2
    timed(f"allocation of {queens} queens, 60 mothers, 30 sources", lambda: allocate(values, numbers, room, goal="low"))


def figures(colonies: int) -> None:
    table = stock(colonies)
    n = table.layout.n_queens
    years = [2000 + g for g in range(GENERATIONS) for _ in range(n // GENERATIONS)]
    youngest = np.arange(n - n // GENERATIONS, n)
    known = timed(f"known generations of {n} queens", lambda: known_generations(table))
    timed("inbreeding and coancestry by year", lambda: cohorts_by_year(table, years, known))
    timed("completeness", lambda: completeness(table, youngest))
    timed("effective founders and ancestors", lambda: founders(table, youngest))


def main() -> None:
    for candidates in (1_000, 5_000):
        contributions(candidates)
    crosses(60, 30)
    allocation(500)
    for colonies in (10_000, 100_000):
        figures(colonies)


if __name__ == "__main__":
    main()
