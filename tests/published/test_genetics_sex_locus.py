"""Brood viability at the sex locus.

Woyke (1976), J Apic Res 15:153 (Kangaroo Island); Page & Marks (1982), Heredity 48:263 (mean and variance
with the number of matings); Woyke (1980), J Apic Res 19:51 (classes of colonies after brother matings).
"""

import numpy as np
import pytest

from breeding.genetics.crosses import Cross
from breeding.genetics.pedigree import Drone, DroneShare, OneSource, Open, Pedigree, Pool, Queen, SingleDrone
from breeding.genetics.types import InputError
from breeding.genetics.viability import brood_viability, viability_table


def viability(pedigree, queen, alleles, *, replicates=20_000, **more):
    rng = np.random.default_rng(20)
    return brood_viability(pedigree, alleles=alleles, rng=rng, matings=[queen], replicates=replicates, **more).matings[
        queen
    ]


def close(found, expected):
    """Within 5 standard errors of the simulation."""
    return abs(found.expected - expected) < max(5 * found.se, 1e-12)


@pytest.mark.parametrize(("n", "expected"), [(6, 0.8333), (10, 0.9), (12, 0.9167), (19, 0.9474)])
def test_unrelated_mates(n, expected):
    """(N - 1)/N; six alleles on Kangaroo Island predict 83.3 %."""
    found = viability(Pedigree([Queen("Q")], {"Q": Open(12)}), "Q", n)
    assert close(found, (n - 1) / n)
    assert found.inbreeding_only == pytest.approx(expected, abs=5e-5)
    assert viability(Pedigree([Queen("Q")], {"Q": Open(None)}), "Q", n).expected == pytest.approx((n - 1) / n)


def test_kangaroo_island_counts_agree_with_six_alleles():
    """Observed: 75.6 % survival + 6.5 % other losses = 82.1 %; six alleles predict 83.3 %."""
    assert pytest.approx(0.821) == 0.756 + 0.065
    assert pytest.approx(0.821) == 1 - 0.179
    found = viability(Pedigree([Queen("Q")], {"Q": Open(None)}), "Q", 6)
    assert abs(found.expected - 0.821) < 0.015


def test_spread_falls_with_the_number_of_drones_and_the_mean_stays():
    """SD = sqrt((1/4)(2/N)(1 - 2/N)/n), Page & Marks (1982)."""
    N = 10
    for n in (1, 4, 16):
        found = viability(Pedigree([Queen("Q")], {"Q": Open(n)}), "Q", N)
        sd = found.se * np.sqrt(20_000)
        assert close(found, 1 - 1 / N)
        assert sd == pytest.approx(np.sqrt(0.25 * (2 / N) * (1 - 2 / N) / n), rel=0.03)


@pytest.mark.parametrize("alleles", [2, 3, 12])
def test_queen_by_her_own_sons_is_exactly_one_half(alleles):
    found = viability(Pedigree([Queen("Q")], {"Q": OneSource("Q", None)}), "Q", alleles, replicates=200)
    assert (found.expected, found.se, found.low5, found.high95) == (0.5, 0.0, 0.5, 0.5)
    assert found.inbreeding_only == pytest.approx(0.5 * (1 - 1 / alleles))
    inbred = Pedigree([Queen("Q"), Queen("D", "Q")], {"Q": OneSource("Q", None), "D": OneSource("D", None)})
    assert viability(inbred, "D", alleles, replicates=200).expected == 0.5


@pytest.mark.parametrize(("alleles", "expected"), [(6, 0.7), (10, 0.75 - 0.25 / 9), (5000, 0.75)])
def test_virgin_by_drones_of_her_open_mated_mother(alleles, expected):
    pedigree = Pedigree([Queen("M"), Queen("V", "M")], {"M": Open(None), "V": OneSource("M", None)})
    assert close(viability(pedigree, "V", alleles), expected if alleles < 5000 else 0.75 - 0.25 / 4999)


def test_virgin_by_two_brothers_falls_into_three_classes():
    """Woyke (1980): 0.50, 0.75, 1.00 in 1:2:1; observed 8, 14, 10 of 32 queens."""
    pedigree = Pedigree(
        [Queen("M"), Queen("V", "M")],
        {"M": Open(None), "V": Pool((DroneShare("M", 1, 2),))},
    )
    found = viability(pedigree, "V", 5000)
    assert close(found, 0.75)
    variance = (found.se**2) * 20_000
    assert variance == pytest.approx(0.25 * 0.0625 * 2, rel=0.05)
    assert (found.low5, found.high95) == (0.5, 1.0)
    expected = np.array([8.0, 16.0, 8.0])
    chi2 = (((np.array([8, 14, 10]) - expected) ** 2) / expected).sum()
    assert chi2 < 5.99  # the observed classes fit 1:2:1


def test_drones_of_a_super_sister_and_of_a_half_sister():
    pedigree = Pedigree(
        [Queen("M"), Queen("V", "M"), Queen("S", "M"), Queen("H"), Queen("hV", "H"), Queen("hS", "H")],
        {"M": SingleDrone("f"), "V": OneSource("S", None), "H": Open(None), "hV": OneSource("hS", None)},
        [Drone("f")],
    )
    assert close(viability(pedigree, "V", 5000), 0.625)
    assert close(viability(pedigree, "hV", 5000), 0.875)


@pytest.mark.parametrize(
    ("alleles", "expected", "quick"), [(6, 0.775, 0.7292), (10, 0.818, 0.7875), (12, 0.828, 0.8021)]
)
def test_worked_example_cross_r(alleles, expected, quick):
    pedigree = Pedigree(
        [Queen("A"), Queen("B"), Queen("P1", "B"), Queen("P2", "B"), Queen("Q1", "A"), Queen("R", "Q1")],
        {
            "A": Open(12),
            "B": Open(10),
            "R": OneSource("A", 8),
            "Q1": Pool((DroneShare("P1", 3, 6), DroneShare("P2", 1, 2))),
        },
    )
    found = viability(pedigree, "R", alleles, replicates=40_000)
    assert abs(found.expected - expected) < 0.001 + 4 * found.se
    assert found.inbreeding_only == pytest.approx(quick, abs=5e-5)
    assert found.low5 < found.expected < found.high95


def test_known_genotypes_are_exact():
    """H = half the semen share that carries one of the queen's alleles."""
    pedigree = Pedigree([Queen("Q")], {"Q": SingleDrone("d")}, [Drone("d")])
    shared = viability(pedigree, "Q", 12, genotypes={"Q": ["a3", "a7"], "d:d": ["a7"]}, replicates=50)
    other = viability(pedigree, "Q", 12, genotypes={"Q": ["a3", "a7"], "d": ["a1"]}, replicates=50)
    assert (shared.expected, shared.se) == (0.5, 0.0)
    assert (other.expected, other.se) == (1.0, 0.0)


def test_crosses_follow_the_sources():
    pedigree = Pedigree([Queen("Q"), Queen("P1"), Queen("P2")])
    genotypes = {"Q": ["a1", "a2"], "P1": ["a1", "a3"], "P2": ["a4", "a5"]}
    crosses = [Cross("Q", {"P1": 1.0}), Cross("Q", {"P1": 3, "P2": 1}, 400), Cross("Q", {"P2": 1.0}, 10)]
    found = brood_viability(
        pedigree, alleles=6, rng=np.random.default_rng(2), crosses=crosses, genotypes=genotypes, replicates=2000
    ).crosses
    assert found[0].expected == pytest.approx(0.75)
    assert abs(found[1].expected - (1 - 0.75 * 0.25)) < 5 * found[1].se
    assert found[2].expected == 1.0


SISTERS = Pedigree(
    [Queen("M"), Queen("V", "M"), Queen("S", "M"), Queen("H"), Queen("T", "H")],
    {"M": SingleDrone("f"), "H": Open(12)},
    [Drone("f")],
)


def test_all_pairs_at_once_have_the_viability_of_each_alone():
    """The luck of the drones enters the table exactly and the single cross by drawing: within 5 standard errors."""
    queens, sources = ["V", "T"], ["M", "S", "H"]
    table = viability_table(
        SISTERS, queens, sources, n_drones=8, alleles=10, rng=np.random.default_rng(5), replicates=20_000
    )
    crosses = [Cross(q, {s: 1.0}, 8) for q in queens for s in sources]
    alone = brood_viability(
        SISTERS, alleles=10, rng=np.random.default_rng(6), crosses=crosses, replicates=20_000
    ).crosses
    for k, one in enumerate(alone):
        at = divmod(k, len(sources))
        error = np.hypot(one.se, table.se[at])
        assert abs(one.expected - table.expected[at]) < 5 * error
        assert table.inbreeding_only[at] == pytest.approx(one.inbreeding_only)
        assert table.se[at] < one.se
        # steps of 1/16 between possible values: quantiles agree to one step
        assert abs(table.low5[at] - one.low5) <= 1 / 16 + 1e-9
        assert abs(table.high95[at] - one.high95) <= 1 / 16 + 1e-9


def test_a_pair_is_the_same_whatever_else_is_asked_for():
    one = viability_table(SISTERS, ["V"], ["S"], n_drones=8, alleles=10, rng=np.random.default_rng(5))
    many = viability_table(SISTERS, ["T", "V"], ["M", "H", "S"], n_drones=8, alleles=10, rng=np.random.default_rng(5))
    assert (many.expected[1, 2], many.low5[1, 2], many.high95[1, 2]) == (
        one.expected[0, 0],
        one.low5[0, 0],
        one.high95[0, 0],
    )


def test_range_and_strong_cases_of_own_sons_and_of_known_alleles():
    """Own sons: always one half. One shared allele of two, four drones: lost k/8, k binomial (4, 1/2)."""
    alleles = {"V": ["a1", "a2"], "H": ["a2", "a3"], "T": ["a4", "a5"]}
    found = viability_table(
        SISTERS, ["V"], ["V", "H", "T"], n_drones=4, alleles=6, rng=np.random.default_rng(1), genotypes=alleles,
        replicates=100,
    )  # fmt: skip
    assert found.expected[0].tolist() == [0.5, 0.75, 1.0]
    assert found.low5[0].tolist() == [0.5, 1 - 4 / 8, 1.0]  # P(k = 4) = 1/16 > 5 %
    assert found.high95[0].tolist() == [0.5, 1.0, 1.0]  # P(k = 0) = 1/16
    assert found.below_75[0] == pytest.approx([1.0, 5 / 16, 0.0])  # k = 3, 4
    many = viability_table(
        SISTERS, ["V"], ["H"], n_drones=None, alleles=6, rng=np.random.default_rng(1), genotypes=alleles, replicates=10
    )
    assert (many.expected[0, 0], many.low5[0, 0]) == (0.75, 0.75)


def test_a_table_of_strangers_is_refused():
    with pytest.raises(InputError, match='unknown queen "Z"'):
        viability_table(SISTERS, ["V"], ["Z"], n_drones=8, alleles=6, rng=np.random.default_rng(1))
    with pytest.raises(InputError, match="at least 1"):
        viability_table(SISTERS, ["V"], ["M"], n_drones=0, alleles=6, rng=np.random.default_rng(1))
