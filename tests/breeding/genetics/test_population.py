"""Figures of the population: cases worked by hand, the whole matrix as a check, random mating against its formula."""

import itertools

import numpy as np
import pytest
from hypothesis import given, settings

from breeding.genetics.nodes import build_nodes
from breeding.genetics.pedigree import (
    Drone,
    DroneShare,
    Mating,
    OneSource,
    Open,
    Pedigree,
    Pool,
    Queen,
    SingleDrone,
    SisterGroup,
    Station,
)
from breeding.genetics.population import (
    Cohort,
    cohorts_by_year,
    completeness,
    effective_size_by_coancestry,
    effective_size_by_inbreeding,
    founders,
    generation_intervals,
    mean_coancestry_between,
)
from breeding.genetics.relationship import known_generations, relationship_matrix
from breeding.genetics.types import InputError
from tests.breeding.genetics.pedigrees import pedigrees

few = settings(max_examples=40)


@few
@given(pedigrees())
def test_cohorts_agree_with_the_whole_matrix(pedigree):
    table = build_nodes(pedigree)
    ids = table.queen_ids
    years = [2020 + i % 3 if i % 5 else None for i in range(len(ids))]
    A = relationship_matrix(table, ids)
    found = cohorts_by_year(table, years, known_generations(table))
    for cohort in found:
        at = np.array([i for i, year in enumerate(years) if year == cohort.year])
        assert cohort.queens == len(at)
        assert cohort.inbreeding == pytest.approx(np.diag(A)[at].mean() - 1, abs=1e-12)
        if len(at) > 1:
            f = A[np.ix_(at, at)] / 2
            expected = (f.sum() - np.trace(f)) / (len(at) * (len(at) - 1))
            assert cohort.coancestry == pytest.approx(expected, abs=1e-12)
            assert mean_coancestry_between(table, at) == pytest.approx(expected, abs=1e-12)
        else:
            assert np.isnan(cohort.coancestry)
    assert sum(cohort.queens for cohort in found) == sum(year is not None for year in years)


@few
@given(pedigrees())
def test_completeness_sums_to_the_known_generations(pedigree):
    table = build_nodes(pedigree)
    known = known_generations(table)
    everyone = np.arange(len(known))
    assert completeness(table, everyone, depth=40).sum() == pytest.approx(known.mean(), abs=1e-9)
    assert (completeness(table, everyone) <= 1 + 1e-12).all()


@few
@given(pedigrees())
def test_ancestors_found_one_by_one_explain_less_and_less(pedigree):
    """Ancestors may exceed founders: one who carries a little of each of twelve drones may be named before them."""
    table = build_nodes(pedigree)
    found = founders(table, np.arange(table.layout.n_queens))
    assert found.ancestors > 0
    assert found.explained <= 1 + 1e-9
    shares = [share for _, share in found.main]
    assert sum(shares) == pytest.approx(found.explained)
    # Of sets of drones and of sisters each single one counts; all others stand for themselves.
    single = [share for name, share in found.main if not name.startswith(("B:", "S:"))]
    assert all(later <= earlier + 1e-9 for earlier, later in itertools.pairwise(single))
    if single:
        assert found.ancestors <= (1 + 1e-9) / single[0] ** 2


def family(daughters: int) -> Pedigree:
    """A base queen A, openly mated with 10 drones; her daughter Q met one unrelated drone; Q's daughters."""
    queens = [Queen("A"), Queen("Q", "A"), *(Queen(f"D{i}", "Q") for i in range(daughters))]
    return Pedigree(queens, {"A": Open(10), "Q": SingleDrone("d")}, [Drone("d")])


def test_founders_and_ancestors_of_one_family_by_hand():
    """Genes: drone 1/2, A 1/4, ten drones 1/40 each. Founders 1/(1/4 + 1/16 + 10/1600), ancestors 1/(1/4 + 1/4)."""
    table = build_nodes(family(6))
    found = founders(table, np.arange(2, 8))
    assert found.founders == pytest.approx(1 / (0.25 + 0.0625 + 0.00625))
    assert found.ancestors == pytest.approx(2.0)
    assert dict(found.main) == pytest.approx({"Q": 0.5, "d:d": 0.5})
    assert found.explained == pytest.approx(1)
    # super-sisters: a = 3/4 between two, 1 with herself, n = 6: 1 / mean a
    assert found.genomes == pytest.approx(36 / (6 * 1 + 30 * 0.75))


def test_very_many_open_drones_are_founders_without_end():
    table = build_nodes(Pedigree([Queen("A"), Queen("B", "A")], {"A": Open(None)}))
    found = founders(table, np.array([1]))
    assert found.founders == pytest.approx(4.0)  # only A's half is one founder's
    assert [found.ancestors, found.explained] == pytest.approx([4.0, 0.5])


def test_two_unrelated_queens_are_two_founders():
    found = founders(build_nodes(Pedigree([Queen("A"), Queen("B")])), np.array([0, 1]))
    assert (found.founders, found.ancestors, found.genomes) == (2.0, 2.0, 2.0)


def test_a_bottleneck_lowers_ancestors_not_founders():
    """Two lines from 4 + 4 founders through one queen each: founders stay many, ancestors are the two queens' genes.

    Q1 and Q2 are pooled from four base queens each by their mothers' matings; all reference queens are daughters of
    Q1 with drones of Q2: half of the genes pass through Q1, half through Q2.
    """
    base = [Queen(f"F{i}") for i in range(10)]
    matings: dict[str, Mating] = {
        "F0": Pool(tuple(DroneShare(f"F{i}", 1, 1) for i in range(2, 6))),
        "F1": Pool(tuple(DroneShare(f"F{i}", 1, 1) for i in range(6, 10))),
        "Q1": OneSource("Q2", 12),
    }
    queens = [*base, Queen("Q1", "F0"), Queen("Q2", "F1"), *(Queen(f"D{i}", "Q1") for i in range(5))]
    found = founders(build_nodes(Pedigree(queens, matings)), np.arange(12, 17))
    assert found.founders == pytest.approx(1 / (2 * (1 / 4) ** 2 + 8 * (1 / 16) ** 2))
    assert found.ancestors == pytest.approx(2.0)
    assert dict(found.main) == {"Q1": pytest.approx(0.5), "Q2": pytest.approx(0.5)}


def test_completeness_by_hand():
    """D's mother Q and the drones' side unknown one back: mother 1/2. Two back: A 1/4, her mates nobody knows."""
    table = build_nodes(family(1))
    assert completeness(table, np.array([2]), depth=3).tolist() == [0.5, 0.25, 0.0]
    sisters = Pedigree(
        [Queen("M"), Queen("A"), Queen("D", "A")],
        {"M": Open(12), "A": Station("s", 10)},
        groups=[SisterGroup("s", "M")],
    )
    # mother A and the sisters at the station are known one back; M two back, behind the sisters alone
    assert completeness(build_nodes(sisters), np.array([2]), depth=3).tolist() == [1.0, 0.25, 0.0]


def test_effective_size_by_inbreeding_by_hand():
    """Own sons each generation: F 0, 1/2, 3/4; t = 1, 2, 3 known generations give dF = 1/2 each, Ne = 1."""
    found = effective_size_by_inbreeding(np.array([0.0, 0.5, 0.75]), np.array([1.0, 2.0, 3.0]))
    assert [found.size, found.rate, found.used] == pytest.approx([1.0, 0.5, 2])
    assert found.se == pytest.approx(0)
    none = effective_size_by_inbreeding(np.zeros(4), np.full(4, 3.0))
    assert (none.size, none.se, none.rate, none.used) == (None, None, 0.0, 4)
    assert effective_size_by_inbreeding(np.zeros(2), np.ones(2)).used == 0


def test_effective_size_by_coancestry_is_exact_on_a_steady_rise():
    """1 - f falls by 1 % a year; at an interval of 2 years the rate is 1 - 0.99^2 a generation."""
    cohorts = [Cohort(2010 + t, 5, 0.0, 1 - 0.9 * 0.99**t, 3.0) for t in range(8)]
    found = effective_size_by_coancestry(cohorts, 2.0)
    assert found.rate == pytest.approx(1 - 0.99**2)
    assert found.size == pytest.approx(1 / (2 * (1 - 0.99**2)))
    assert found.se == pytest.approx(0, abs=1e-6)
    falling = [Cohort(2010 + t, 5, 0.0, 0.1 - 0.01 * t, 3.0) for t in range(4)]
    assert effective_size_by_coancestry(falling, 2.0).size is None
    assert effective_size_by_coancestry(cohorts[:1], 2.0).size is None


def test_generation_intervals_by_hand():
    """D born 2024 of Q (2021); Q's mates came from P (2020, share 3/4) and R (2022, 1/4): 3 and 3.5 years."""
    queens = [Queen("Q"), Queen("P"), Queen("R"), Queen("D", "Q")]
    table = build_nodes(Pedigree(queens, {"Q": Pool((DroneShare("P", 3, 6), DroneShare("R", 1, 2)))}))
    assert list(generation_intervals(table, [2021, 2020, 2022, 2024])) == pytest.approx([3.0, 0.75 * 4 + 0.25 * 2])
    mothers, drones = generation_intervals(table, [None, 2020, 2022, 2024])
    assert np.isnan(mothers)
    assert drones == pytest.approx(3.5)


def test_years_must_fit_the_queens():
    with pytest.raises(InputError, match="needs 2 entries"):
        generation_intervals(build_nodes(Pedigree([Queen("A"), Queen("B")])), [2020])
    with pytest.raises(InputError, match="at least one"):
        founders(build_nodes(Pedigree([Queen("A")])), np.array([], dtype=int))
