"""Times of a round of variance components: exact traces, and traces from simulated records, by number of colonies.

    OMP_NUM_THREADS=1 python -m benchmarks.reml [--exact 10000 50000] [--factor 50000] [--iterate 1000000] [--draws 8]

Measured, not asserted. CPU seconds of one thread; `benchmarks.genetics` holds the other parts of an evaluation.
"""

import argparse
import itertools
import resource
import time

import numpy as np
from scipy import sparse

from benchmarks.populations import population
from breeding.genetics import reml
from breeding.genetics.absorbed import AbsorbedModel
from breeding.genetics.cells import ColonyData
from breeding.genetics.colony_model import colony_rows
from breeding.genetics.montecarlo_reml import estimate_by_draws
from breeding.genetics.nodes import node_table
from breeding.genetics.parameters import starter_parameters
from breeding.genetics.reml import RemlResult

GENERATIONS = 15
TRUE = starter_parameters({"honey": ("honey", 1.0)})


def tested_model(colonies: int, bred: float, rng: np.random.Generator) -> AbsorbedModel:
    """One record of one trait from every colony; apiary-year as fixed effect."""
    stock = population(colonies, bred=bred, generations=GENERATIONS, rng=rng)
    table = node_table(stock.plan)
    own = rng.standard_normal((table.n_nodes, 2)) @ np.linalg.cholesky(TRUE.G0).T * np.sqrt(table.D)[:, None]
    edges = [0, *(np.flatnonzero(np.diff(table.level)) + 1).tolist(), table.n_nodes]
    for start, stop in itertools.pairwise(edges):
        own[start:stop] += table.P[start:stop] @ own
    n, places = stock.plan.n_queens, int(stock.place.max()) + 1
    queens = np.arange(n)
    worker, queen = colony_rows(table, queens)
    y = worker @ own[:, 0] + queen @ own[:, 1] + rng.standard_normal(places)[stock.place]
    y += rng.standard_normal(n) * np.sqrt(TRUE.R0[0, 0])
    X = sparse.csr_array((np.ones(n), (queens, stock.place)), shape=(n, places))
    return AbsorbedModel(table, ColonyData(queens, y[:, None], X, (np.arange(places),)))


class Rounds:
    """CPU seconds between calls."""

    def __init__(self) -> None:
        self.at = [time.process_time()]

    def __call__(self, number: int, value: float) -> None:
        self.at.append(time.process_time())

    def seconds(self) -> list[float]:
        return [b - a for a, b in itertools.pairwise(self.at)]


def row(what: str, colonies: int, model: AbsorbedModel, found: RemlResult, rounds: Rounds) -> None:
    """One printed line: the median round after the first, which also plans the elimination."""
    spent = rounds.seconds()
    usual = float(np.median(spent[1:])) if len(spent) > 1 else spent[0]
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    away = (found.covariances[0] - TRUE.G0) / np.maximum(found.covariances_se[0], 1e-12)
    print(
        f"{colonies:9d} colonies {model.n_equations:7d} equations  {what:34s} {usual:8.3f} s a round, {found.rounds} "
        f"rounds{'' if found.converged else ' (stopped)'}, furthest from the truth {np.abs(away).max():.1f} SE, "
        f"peak {peak:5.0f} MB"
    )


def exact(colonies: int, bred: float, most: int) -> None:
    model = tested_model(colonies, bred, np.random.default_rng(1))
    rounds = Rounds()
    found = reml.estimate(model, [TRUE.G0 * 0.8], TRUE.R0 * 1.1, max_rounds=most, progress=rounds)
    row("AI-REML, exact traces", colonies, model, found, rounds)


def drawn(colonies: int, bred: float, draws: int, most: int, *, direct: bool) -> None:
    model = tested_model(colonies, bred, np.random.default_rng(1))
    rounds = Rounds()
    found = estimate_by_draws(
        model, [TRUE.G0 * 0.8], TRUE.R0 * 1.1, draws=draws, direct=direct, max_rounds=most, progress=rounds
    )
    row(f"AI, {draws} simulations, {'factor' if direct else 'iterated'}", colonies, model, found, rounds)


def main() -> None:
    parser = argparse.ArgumentParser(description="Times of a round of variance components")
    parser.add_argument("--exact", type=int, nargs="*", default=[10_000, 50_000])
    parser.add_argument("--factor", type=int, nargs="*", default=[10_000, 50_000])
    parser.add_argument("--iterate", type=int, nargs="*", default=[50_000])
    parser.add_argument("--bred", type=float, default=0.09)
    parser.add_argument("--draws", type=int, default=16)
    parser.add_argument("--rounds", type=int, default=30, help="at most")
    args = parser.parse_args()
    for colonies in args.exact:
        exact(colonies, args.bred, args.rounds)
    for colonies in args.factor:
        drawn(colonies, args.bred, args.draws, args.rounds, direct=True)
    for colonies in args.iterate:
        drawn(colonies, args.bred, args.draws, args.rounds, direct=False)


if __name__ == "__main__":
    main()
