"""Effective size of haplodiploids: Wright's formula for sex-linked genes, Ne = 9 Nm Nf / (4 Nm + 2 Nf).

From memory: Wright (1933), Proc Natl Acad Sci 19:411; as in Crow & Kimura (1970).
"""

import numpy as np
import pytest

from breeding.genetics.nodes import build_nodes
from breeding.genetics.pedigree import Batch, DroneShare, Pedigree, Queen, SharedBatch
from breeding.genetics.population import cohorts_by_year, effective_size_by_coancestry, generation_intervals
from breeding.genetics.relationship import known_generations

GENERATIONS, POPULATIONS = 24, 16


def random_mating(queens_each: int, drones_each: int, rng: np.random.Generator) -> tuple[Pedigree, list[int]]:
    """Discrete generations. Every queen has a random mother and a random one of the generation's drones as father:
    all mothers carry the same mixture of ``drones_each`` single drones of random queens of the generation before."""
    queens = [Queen(f"0/{i}") for i in range(queens_each)] + [Queen(f"1/{i}") for i in range(queens_each)]
    batches: list[Batch] = []
    matings: dict[str, SharedBatch] = {}
    for t in range(1, GENERATIONS):
        mothers = rng.integers(queens_each, size=drones_each)
        batches.append(Batch(str(t), tuple(DroneShare(f"{t - 1}/{m}", 1.0, 1) for m in mothers)))
        dams = [f"{t}/{m}" for m in rng.integers(queens_each, size=queens_each)]
        matings |= {dam: SharedBatch(str(t)) for dam in dams}
        queens += [Queen(f"{t + 1}/{i}", dam) for i, dam in enumerate(dams)]
    years = [int(queen.id.split("/")[0]) for queen in queens]
    return Pedigree(queens, matings, batches=batches), years


def exact_rate(n_f: int, n_m: int) -> float:
    """1 - largest eigenvalue of the recursion of non-identity between two queens, a queen and a drone, two drones,
    and within a queen; Wright's formula leaves out what is of second order in 1/n."""
    queens = np.array([1 - 1 / n_f, 0, 0, 0.5 / n_f])  # two eggs of random mothers; of the same: 1/2 (1 - F)
    cross = np.array([0, 1.0, 0, 0])
    drones = np.array([0, 0, 1 - 1 / n_m, 0])
    step = np.array([queens / 4 + cross / 2 + drones / 4, queens / 2 + cross / 2, queens, cross])
    return 1 - float(np.abs(np.linalg.eigvals(step)).max())


@pytest.mark.parametrize(("queens_each", "drones_each"), [(10, 6), (6, 20), (15, 3)])
def test_coancestry_rises_as_wright_says(queens_each, drones_each):
    """Mean of simulated populations within 4 standard errors of the exact rate, that within 10 % of Wright's."""
    rng = np.random.default_rng(8)
    rates = []
    for _ in range(POPULATIONS):
        pedigree, years = random_mating(queens_each, drones_each, rng)
        table = build_nodes(pedigree)
        assert generation_intervals(table, years) == (1.0, 2.0)
        cohorts = cohorts_by_year(table, years, known_generations(table))
        rates.append(effective_size_by_coancestry(cohorts[4:], 1.0).rate)
    wright = 9 * drones_each * queens_each / (4 * drones_each + 2 * queens_each)
    error = np.std(rates, ddof=1) / np.sqrt(POPULATIONS)
    exact = exact_rate(queens_each, drones_each)
    assert exact == pytest.approx(1 / (2 * wright), rel=0.1)
    assert error < 0.03 * exact
    assert abs(np.mean(rates) - exact) < 4 * error
