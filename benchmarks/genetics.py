"""Times and memory of the genetics kernels on simulated cooperatives, from arrays in memory.

    OMP_NUM_THREADS=1 OPENBLAS_NUM_THREADS=1 python -m benchmarks.genetics [--colonies 1000 10000 100000] [--million]
        [--bred 0.1 0.3 0.6] [--generations 15]

Measured, not asserted: CPU seconds of one thread, each size in a process of its own so that its peak memory is its
own. Variance components of large populations are in `benchmarks.reml`, a member's evening in `benchmarks.evaluation`.
"""

import argparse
import itertools
import json
import math
import os
import resource
import subprocess
import sys
import time
from collections.abc import Callable
from typing import Any, TypeVar

import numpy as np
from scipy import sparse
from scipy.sparse.linalg import spsolve

from benchmarks.populations import Population, population
from breeding.genetics.absorbed import AbsorbedFit, AbsorbedModel
from breeding.genetics.absorption import reduce_nodes
from breeding.genetics.cells import ColonyData
from breeding.genetics.colony_errors import exact_errors
from breeding.genetics.colony_model import colony_rows, full_equations
from breeding.genetics.nodes import NodeTable, node_table
from breeding.genetics.parameters import starter_parameters
from breeding.genetics.records import Parameters
from breeding.genetics.sampled import sampled_errors
from breeding.genetics.simulate import simulate_values

Made = TypeVar("Made")
MILLION = 1_000_000
MISSING = 0.05  # share of results not recorded, several traits
# Where comparisons stop: beyond, each takes minutes or more memory than there is.
SPSOLVE_UP_TO, DENSE_UP_TO = 10_000, 1_000
SEED = 1


def parameters(traits: int) -> Parameters:
    starters = ["honey", "gentleness", "calmness", "swarming", "hygienic", "varroa"]
    made = starter_parameters({f"{starters[k % 6]}{k}": (starters[k % 6], 1.0) for k in range(traits)})
    sd = np.sqrt(np.diag(made.G0))
    G0 = made.G0 + 0.15 * np.outer(sd, sd) * (made.G0 == 0)  # traits hang together a little
    return Parameters(made.traits, G0, made.R0)


def season(made: Population, table: NodeTable, at: Parameters, rng: np.random.Generator) -> ColonyData:
    """One record of every colony in her apiary-year, from true values dropped down the pedigree."""
    n, t = made.plan.n_queens, len(at.traits)
    truth = simulate_values(table, at, rng).nodes
    worker, queen = colony_rows(table, np.arange(n))
    y = worker @ truth[:, 0::2] + queen @ truth[:, 1::2]
    y += rng.standard_normal((n, t)) @ np.linalg.cholesky(at.R0).T
    y += 20.0 + 3.0 * rng.standard_normal((int(made.place.max()) + 1, t))[made.place]
    if t > 1:
        y[rng.random(y.shape) < MISSING] = np.nan
    queens = np.flatnonzero(np.isfinite(y).any(axis=1))
    X = sparse.csr_array((np.ones(len(queens)), (np.arange(len(queens)), made.place[queens])))
    return ColonyData(queens, y[queens], X, (np.arange(X.shape[1]),) * t)


class Lines:
    """What was measured: printed at once, kept for the slopes."""

    def __init__(self) -> None:
        self.kept: dict[str, float] = {}

    def time(self, what: str, work: Callable[[], Made], more: Callable[[Made], str] = lambda _: "") -> Made:
        start = time.process_time()
        made = work()
        self.kept[what] = time.process_time() - start
        self.show(what, f"{self.kept[what]:9.4f} s ", more(made))
        return made

    def show(self, what: str, number: str, more: str = "") -> None:
        print(f"  {number:>12} {what:<58} {more}", flush=True)


def peak_mb() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def one_size(colonies: int, bred: float, generations: int) -> dict[str, float]:
    rng = np.random.default_rng(SEED)
    made = population(colonies, bred=bred, generations=generations, rng=rng)
    print(f"\n{made.plan.n_queens} colonies, {generations} generations, {bred:.0%} bred from", flush=True)
    lines = Lines()
    lines.show("memory with the pedigree alone", f"{peak_mb():6.0f} MB")

    def inbreeding() -> NodeTable:
        table = node_table(made.plan)
        reduce_nodes(table).precision()
        return table

    table = lines.time(
        "inbreeding, inverse of the equations' relationships", inbreeding, lambda t: f"{t.n_nodes} nodes"
    )
    lines.time(
        "inverse relationship matrix of all nodes",
        table.inverse,
        lambda A: f"{A.nnz / table.n_nodes:.1f} non-zeros a row",
    )
    for traits in (1, 3):
        solving(lines, made, table, traits, rng)
    lines.kept["peak MB"] = peak_mb()
    lines.show("peak memory of everything above", f"{peak_mb():6.0f} MB")
    comparisons(lines, table, season(made, table, parameters(1), rng))
    return lines.kept


def solving(lines: Lines, made: Population, table: NodeTable, traits: int, rng: np.random.Generator) -> None:
    at = parameters(traits)
    data = season(made, table, at, rng)
    name = f"{traits} trait{'s' if traits > 1 else ''}: "

    def iterated() -> AbsorbedFit:
        fit = AbsorbedModel(table, data).solve([at.G0], at.R0, method="iterations")
        assert fit.nodes.shape == (table.n_nodes, 2 * traits)
        return fit

    fit = lines.time(
        f"{name}all values by iteration",
        iterated,
        lambda f: f"{f.model.n_equations} equations, {f.iterations} iterations, residual {f.relative_residual:.0e}",
    )
    lines.kept[f"{name}MB after the solve"] = peak_mb()
    lines.show(f"{name}peak memory so far", f"{peak_mb():6.0f} MB")
    bandwidth(lines, name, fit)
    model = fit.model
    if model.factorable:

        def factorised() -> AbsorbedFit:
            fit = AbsorbedModel(table, data).solve([at.G0], at.R0)
            assert fit.nodes.shape == (table.n_nodes, 2 * traits)
            return fit

        by_factor = lines.time(
            f"{name}all values by the factor", factorised, lambda f: f"residual {f.relative_residual:.0e}"
        )
        lines.time(f"{name}exact reliabilities after it", lambda: exact_errors(by_factor))
        away = float(np.abs(by_factor.nodes - fit.nodes).max())
        lines.show(f"{name}largest difference between both", f"{away:.0e}")
        reml_round(lines, name, by_factor)
    elif traits == 1:
        found = lines.time(
            f"{name}reliabilities by drawing", lambda: sampled_errors(fit, rng), lambda s: f"{s.samples} draws"
        )
        lines.show(f"{name}expected error of a reliability", f"{found.rmse:.3f}")
    lines.show(f"{name}peak memory so far", f"{peak_mb():6.0f} MB")


def bandwidth(lines: Lines, name: str, fit: AbsorbedFit) -> None:
    """One reading of everything a pass touches, beside what a pass takes."""
    operator = fit.operator
    matrices = [operator.design.W, operator.design.W_t, operator.precision]
    size = sum(M.data.nbytes + M.indices.nbytes + M.indptr.nbytes for M in matrices)
    store, x = np.ones(size // 8), np.ones((operator.size, 1))

    def repeated(work: Callable[[], Any]) -> float:
        start = time.process_time()
        for _ in range(20):
            work()
        return (time.process_time() - start) / 20 * 1e3

    one, limit = repeated(lambda: operator.apply(x)), repeated(store.sum)
    lines.show(
        f"{name}one pass over the equations", f"{one:8.2f} ms", f"its {size / 1e6:.0f} MB read once: {limit:.2f} ms"
    )


def reml_round(lines: Lines, name: str, fit: AbsorbedFit) -> None:
    """From new variances to likelihood, gradient and average information; the plan is there already."""
    matrices = [1.05 * fit.G, 0.97 * fit.R0]
    labels = [(m, i, j) for m, K in enumerate(matrices) for i in range(len(K)) for j in range(i + 1)]

    def step() -> float:
        there = fit.model.at(matrices)
        there.information(labels)
        there.gradients()
        return there.loglik

    lines.time(f"{name}a round of AI-REML", step, lambda loglik: f"logL {loglik:.1f}, {len(labels)} parameters")


def comparisons(lines: Lines, table: NodeTable, data: ColonyData) -> None:
    """The same values by plain libraries on the equations of all nodes."""
    name, at, n = "1 trait: ", parameters(1), table.layout.n_queens
    if n > SPSOLVE_UP_TO:
        return
    fit = AbsorbedModel(table, data).solve([at.G0], at.R0)
    full = full_equations(table, data)
    R_inverse = full.residual_blocks([np.linalg.inv(at.R0[np.ix_(k, k)]) for k, _ in full.recorded_patterns()])
    prior = sparse.kron(table.inverse(), np.linalg.inv(at.G0))
    empty = sparse.csr_array((full.n_fixed, full.n_fixed))
    C = sparse.csc_array(full.W.T @ R_inverse @ full.W + sparse.block_diag([prior, empty]))
    rhs = full.W.T @ (R_inverse @ full.observed)
    x = lines.time(
        f"{name}scipy's spsolve on the full equations",
        lambda: spsolve(C, rhs, permc_spec="MMD_AT_PLUS_A"),
        lambda _: f"{full.n_equations} equations",
    )
    away = float(np.abs(x[: table.n_nodes * 2].reshape(-1, 2) - fit.nodes).max())
    lines.show(f"{name}its largest difference", f"{away:.0e}")
    if n <= DENSE_UP_TO:
        dense = C.toarray()
        lines.time(f"{name}dense numpy on the full equations", lambda: np.linalg.solve(dense, rhs))
        lines.time(f"{name}dense numpy, their inverse", lambda: np.linalg.inv(dense))


def slopes(found: list[tuple[int, dict[str, float]]]) -> None:
    """Powers of the number of colonies by which time and memory grow from each size to the next."""
    for (n, before), (m, after) in itertools.pairwise(found):
        print(f"\nGrowth from {n} to {m} colonies, as a power of their number (1 is linear):")
        for what in before:
            if what in after and before[what] > 0:
                print(f"  {math.log(after[what] / before[what]) / math.log(m / n):6.2f}  {what}")


def main() -> None:
    parser = argparse.ArgumentParser(description="Times and memory of the genetics kernels")
    parser.add_argument("--colonies", type=int, nargs="+", default=[1_000, 10_000, 100_000])
    parser.add_argument("--million", action="store_true", help="a million colonies too: some ten minutes")
    parser.add_argument("--bred", type=float, nargs="+", default=[0.1, 0.3, 0.6])
    parser.add_argument("--generations", type=int, default=15)
    parser.add_argument("--one", help=argparse.SUPPRESS)  # file for the numbers of one size
    args = parser.parse_args()
    if args.one:
        with open(args.one, "w", encoding="utf-8") as file:
            json.dump(one_size(args.colonies[0], args.bred[0], args.generations), file)
        return
    if os.environ.get("OMP_NUM_THREADS") != "1":
        print("Set OMP_NUM_THREADS=1 and OPENBLAS_NUM_THREADS=1: waiting threads would count as work.")
    for bred in args.bred:
        sizes = [*args.colonies, *([MILLION] if args.million and bred == args.bred[0] else [])]
        found = [(n, in_own_process(n, bred, args.generations)) for n in sizes]
        slopes(found)


def in_own_process(colonies: int, bred: float, generations: int) -> dict[str, float]:
    read, write = os.pipe()
    command = [sys.executable, "-m", "benchmarks.genetics", "--one", f"/dev/fd/{write}"]
    command += ["--colonies", str(colonies), "--bred", str(bred), "--generations", str(generations)]
    subprocess.run(command, check=True, pass_fds=[write])
    os.close(write)
    with os.fdopen(read, encoding="utf-8") as file:
        return dict(json.load(file))


if __name__ == "__main__":
    main()
