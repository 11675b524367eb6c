"""Simulated values have the covariance of the relationship matrix; loci dropped one by one agree."""

import numpy as np
import pytest

from breeding.genetics.nodes import build_nodes
from breeding.genetics.pedigree import (
    Batch,
    Drone,
    DroneShare,
    OneSource,
    Open,
    Pedigree,
    Pool,
    Queen,
    SharedBatch,
    SingleDrone,
    SisterGroup,
    Station,
)
from breeding.genetics.records import Parameters
from breeding.genetics.relationship import relationship_matrix
from breeding.genetics.simulate import RecordedColony, simulate_records, simulate_values
from breeding.genetics.types import InputError
from tests.breeding.genetics.oracle import Alleles, Oracle

PARAMETERS = Parameters(("honey",), np.array([[4.0, -1.0], [-1.0, 2.0]]), np.array([[3.0]]))
PEDIGREE = Pedigree(
    [Queen("A"), Queen("B"), Queen("C", "A"), Queen("D", "A"), Queen("E", "C"), Queen("F", "D"), Queen("G", "F")],
    {
        "A": Open(8),
        "B": SingleDrone("d"),
        "C": Pool((DroneShare("B", 3, 4), DroneShare("A", 1, 2))),
        "D": SharedBatch("s"),
        "E": SharedBatch("s"),
        "F": Station("st", 6),
        "G": OneSource("G", 5),
    },
    [Drone("d", "A")],
    [Batch("s", (DroneShare("B", 1, 2), DroneShare("C", 2, 3)))],
    [SisterGroup("st", "A", 3)],
)
UNITS = ["A", "B", "C", "D", "E", "F", "G", "W:B", "W:C", "W:D", "W:E", "W:F", "W:G", "B:D", "d:d", "S:st"]


def test_simulated_values_have_the_covariances_of_the_relationships():
    table = build_nodes(PEDIGREE)
    rng = np.random.default_rng(7)
    n = 1500
    L = table.units(UNITS)
    drawn = np.stack([np.asarray(L @ simulate_values(table, PARAMETERS, rng).nodes) for _ in range(n)])
    A = relationship_matrix(table, UNITS)
    expected = np.kron(A, PARAMETERS.G0)
    found = np.cov(drawn.reshape(n, -1).T)
    se = np.sqrt((np.outer(np.diag(expected), np.diag(expected)) + expected**2) / n)
    assert (np.abs(found - expected) < 5 * se).all()


def test_alleles_dropped_one_by_one_have_the_same_relationships():
    """Gene dropping: identity of drawn alleles at a neutral locus within 5 standard errors of a/2."""
    rng = np.random.default_rng(3)
    oracle = Oracle(PEDIGREE)
    made = [oracle.unit(u) for u in UNITS]
    units = [(np.array(list(u)), np.cumsum(list(u.values()))) for u in made]
    n = 1200
    same = np.zeros((len(UNITS), len(UNITS)))
    sources = allele_sources(PEDIGREE)
    for _ in range(n):
        origin = drop(sources, rng)
        first = [origin[pick(u, rng)] for u in units]
        second = [origin[pick(u, rng)] for u in units]
        same += np.equal.outer(first, second)
    f = relationship_matrix(build_nodes(PEDIGREE), UNITS) / 2
    se = np.sqrt(np.maximum(f * (1 - f), 1e-9) / n)
    assert (np.abs(same / n - f) <= 5 * se + 1e-12).all()


def allele_sources(pedigree):
    """What each allele of the oracle is drawn from, recorded while it builds its matrix."""
    recorded = []

    class Recording(Alleles):
        def new(self, pi=None):
            recorded.append(dict(pi) if pi else None)
            return super().new(pi)

    Oracle(pedigree, alleles=Recording())
    return [None if pi is None else (np.array(list(pi)), np.cumsum(list(pi.values()))) for pi in recorded]


def pick(pi, rng):
    alleles, steps = pi
    return alleles[min(np.searchsorted(steps, rng.random(), side="right"), len(alleles) - 1)]


def drop(sources, rng):
    origin = np.empty(len(sources), dtype=np.int64)
    for i, pi in enumerate(sources):
        origin[i] = i if pi is None else origin[pick(pi, rng)]
    return origin


def test_records_are_mean_level_worker_group_queen_and_residual():
    table = build_nodes(PEDIGREE)
    rng = np.random.default_rng(1)
    truth = simulate_values(table, PARAMETERS, rng)
    quiet = Parameters(("honey",), PARAMETERS.G0, np.array([[1e-12]]))
    colonies = [RecordedColony("A", {"place": "x"}), RecordedColony("C", {"place": "x"})]
    records = simulate_records(truth, quiet, colonies, means={"honey": 30.0}, factor_sd={}, rng=rng)
    expected = 30.0 + truth.performance("honey", ["A", "C"])
    assert [r.values["honey"] for r in records] == pytest.approx(expected.tolist(), abs=1e-4)
    assert [(r.queen, r.fixed) for r in records] == [("A", {"place": "x"}), ("C", {"place": "x"})]
    levels = simulate_records(
        truth, quiet, colonies, means={"honey": 0.0}, factor_sd={"place": {"honey": 50.0}}, rng=rng
    )
    shift = [level.values["honey"] - (e - 30.0) for level, e in zip(levels, expected, strict=True)]
    assert abs(shift[0]) > 1
    assert shift[0] == pytest.approx(shift[1], abs=1e-3)


def test_the_same_seed_gives_the_same_values_and_missing_ones_are_hidden():
    table = build_nodes(PEDIGREE)
    first = simulate_values(table, PARAMETERS, np.random.default_rng(9))
    second = simulate_values(table, PARAMETERS, np.random.default_rng(9))
    np.testing.assert_array_equal(first.nodes, second.nodes)
    assert first.total("honey")["A"] == pytest.approx(first.queens[0].sum())
    colonies = [RecordedColony("A", {})] * 400
    records = simulate_records(
        first, PARAMETERS, colonies, means={"honey": 1.0}, factor_sd={}, missing=0.25, rng=np.random.default_rng(2)
    )
    hidden = sum(r.values["honey"] is None for r in records)
    assert 60 < hidden < 140


def test_colonies_without_a_mating_are_refused():
    truth = simulate_values(build_nodes(Pedigree([Queen("A")])), PARAMETERS, np.random.default_rng(1))
    with pytest.raises(InputError, match="no mating"):
        truth.performance("honey", ["A"])
    with pytest.raises(InputError, match="unknown queen"):
        truth.performance("honey", ["Z"])
