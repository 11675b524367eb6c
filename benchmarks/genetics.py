"""Times of the genetics kernels on a simulated pedigree: sizes, CPU seconds, peak memory.

    OMP_NUM_THREADS=1 python -m benchmarks.genetics [--colonies 1000 ...] [--traits 1 5] [--bred 0.1 0.3]

Measured, not asserted. One thread: set OMP_NUM_THREADS=1 as the app does.
"""

import argparse
import resource
import time

import numpy as np
from scipy.sparse.linalg import spsolve

from breeding.genetics import reml
from breeding.genetics.contributions import optimum_contributions
from breeding.genetics.evaluation import evaluate
from breeding.genetics.nodes import build_nodes
from breeding.genetics.parameters import starter_parameters
from breeding.genetics.pedigree import DroneShare, Mating, Open, Pedigree, Pool, Queen
from breeding.genetics.records import ModelSpec, Parameters
from breeding.genetics.relationship import mated_queens
from breeding.genetics.simulate import RecordedColony, simulate_records, simulate_values
from breeding.genetics.viability import brood_viability

PER_PLACE = 40  # colonies per apiary and year
SISTERS = 12
SOURCES = 3
# Full equations above which a plain spsolve takes minutes and is left out.
SPSOLVE_LIMIT = 25_000


def simulated_pedigree(
    colonies: int, generations: int, bred: float, rng: np.random.Generator
) -> tuple[Pedigree, list[RecordedColony]]:
    """Families of sisters, each queen inseminated from a pool of last generation's queens."""
    queens: list[Queen] = []
    matings: dict[str, Mating] = {}
    tested: list[RecordedColony] = []
    older: list[str] = []
    per = colonies // generations
    for g in range(generations):
        ids = [f"g{g}q{i}" for i in range(per)]
        breeders = rng.choice(older, max(4, int(bred * per)), replace=False).tolist() if older else []
        dam = None
        for i, id_ in enumerate(ids):
            if older and i % SISTERS == 0:
                dam = breeders[rng.integers(len(breeders))]
                sources = rng.choice(breeders, SOURCES, replace=False).tolist()
            queens.append(Queen(id_, dam))
            matings[id_] = Pool(tuple(DroneShare(s, 1.0, 4) for s in sources)) if older else Open(12)
            tested.append(RecordedColony(id_, {"place": f"{i // PER_PLACE}/{g}"}))
        older = ids
    return Pedigree(queens, matings), tested


def parameters(traits: int) -> Parameters:
    starters = ["honey", "gentleness", "calmness", "swarming", "hygienic", "varroa"]
    names = {f"{starters[k % 6]}{k}": (starters[k % 6], 1.0) for k in range(traits)}
    made = starter_parameters(names)
    sd = np.sqrt(np.diag(made.G0))
    G0 = made.G0 + 0.15 * np.outer(sd, sd) * (made.G0 == 0)  # traits hang together a little
    return Parameters(made.traits, G0, made.R0)


class Clock:
    """CPU seconds between laps; the first column of each printed line."""

    def __init__(self) -> None:
        self.at = time.process_time()

    def lap(self, what: str, more: str = "") -> None:
        now = time.process_time()
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        print(f"  {now - self.at:9.3f} s  {what:<42} {more:<34} peak {peak:6.0f} MB")
        self.at = time.process_time()


def run(colonies: int, traits: int, bred: float, generations: int) -> None:
    rng = np.random.default_rng(1)
    pedigree, tested = simulated_pedigree(colonies, generations, bred, rng)
    print(f"\n{len(pedigree.queens)} colonies, {generations} generations, {bred:.0%} bred from, {traits} trait(s)")
    clock = Clock()
    table = build_nodes(pedigree)
    clock.lap("nodes, inbreeding", f"{table.n_nodes} nodes, mean F {table.F.mean():.4f}")
    around = mated_queens(table)
    clock.lap("inbreeding of all worker groups", f"mean {around.worker_inbreeding.mean():.4f}")
    inverse = table.inverse()
    clock.lap("inverse relationship matrix", f"{inverse.nnz / table.n_nodes:.1f} non-zeros per node")
    truth_at = parameters(traits)
    truth = simulate_values(table, truth_at, rng)
    records = simulate_records(
        truth, truth_at, tested, means=dict.fromkeys(truth_at.traits, 0.0),
        factor_sd={"place": dict.fromkeys(truth_at.traits, 1.0)}, missing=0.05, rng=rng,
    )  # fmt: skip
    clock = Clock()
    spec = ModelSpec(("place",))
    run_ = evaluate(pedigree, records, spec, truth_at, weights={truth_at.traits[0]: 1.0})
    equations = run_.solver.equations
    clock.lap("evaluation, exact reliabilities, from ids", f"{equations} equations")
    true = np.array([truth.total(truth_at.traits[0])[q] for q in run_.queens])
    accuracy = np.corrcoef(true, run_.total.value[:, 0])[0, 1]
    expected = np.sqrt(run_.total.reliability[:, 0].mean())
    print(f"             accuracy of values {accuracy:.3f}, expected from the reliabilities {expected:.3f}")
    assert run_.prediction is not None
    fit, known = run_.prediction.fit, run_.prediction.table
    clock = Clock()
    fit.model.solve(fit.covariances, fit.R0)
    clock.lap("solving again with other variances", f"residual {run_.solver.relative_residual:.1e}")
    if equations <= SPSOLVE_LIMIT:
        spsolve(fit.C.tocsc(), fit.rhs, permc_spec="MMD_AT_PLUS_A")
        clock.lap("the same by scipy's spsolve, values alone")
    stock = list(run_.queens)[-1000:]
    run_.likely_places(stock, criterion="mother", rng=rng, draws=1000)
    clock.lap("likely places", f"{len(stock)} candidates, 1000 draws")
    if traits == 1:
        result = reml.estimate(fit.model, fit.covariances, fit.R0, max_rounds=6)
        clock.lap("AI-REML, six rounds", f"last logL {result.loglik:.3f}")
    dams = {q: float(run_.merit_mother.value[run_.row[q], 0]) for q in stock[-200:]}
    drones = {q: float(run_.merit_drones.value[run_.row[q], 0]) for q in stock[-200:]}
    clock = Clock()
    least = optimum_contributions(known, dams, drones, []).min_coancestry
    curve = optimum_contributions(known, dams, drones, [least * 1.2])
    clock.lap("optimum contributions", f"400 candidates, {curve.solutions[0].status}")
    brood_viability(known, alleles=12, rng=rng, matings=stock[-10:], replicates=2000)
    clock.lap("brood viability", "10 matings, 2000 replicates")


def main() -> None:
    parser = argparse.ArgumentParser(description="Times of the genetics kernels")
    parser.add_argument("--colonies", type=int, nargs="+", default=[350, 1000])
    parser.add_argument("--traits", type=int, nargs="+", default=[1, 5])
    parser.add_argument("--bred", type=float, nargs="+", default=[0.1])
    parser.add_argument("--generations", type=int, default=10)
    args = parser.parse_args()
    for colonies in args.colonies:
        for traits in args.traits:
            for bred in args.bred:
                run(colonies, traits, bred, args.generations)


if __name__ == "__main__":
    main()
