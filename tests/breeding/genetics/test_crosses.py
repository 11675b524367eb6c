"""Planned crosses against the recorded mating they would become."""

from dataclasses import replace

import numpy as np
import pytest

from breeding.genetics.crosses import Cross, EffectValues, brood_inbreeding, cross_table, plan_crosses
from breeding.genetics.nodes import build_nodes
from breeding.genetics.pedigree import DroneShare, OneSource, Open, Pedigree, Pool, Queen
from breeding.genetics.relationship import mated_queens
from breeding.genetics.types import InputError

PEDIGREE = Pedigree(
    [Queen("A"), Queen("B", "A"), Queen("C", "A"), Queen("V", "B"), Queen("W", "C")],
    {"A": Open(10), "B": OneSource("C", 6), "C": OneSource("A", None)},
)


def test_a_cross_is_the_mating_it_becomes():
    for n, counts in ((8, (6, 2)), (None, (None, None))):
        cross = Cross("V", {"W": 3, "C": 1}, n)
        found = plan_crosses(PEDIGREE, [cross], values(), genetic_sd={"honey": 2.0})[0]
        mated = replace(
            PEDIGREE,
            matings={**PEDIGREE.matings, "V": Pool((DroneShare("W", 3, counts[0]), DroneShare("C", 1, counts[1])))},
        )
        around = mated_queens(build_nodes(mated))
        at = around.queens.tolist().index(3)
        assert found.worker_inbreeding == pytest.approx(around.worker_inbreeding[at], abs=1e-14)
        assert found.traits["honey"].daughter_sd == pytest.approx(2.0 * np.sqrt(around.daughter_variance[at]))


def values():
    return {q: EffectValues({"honey": float(i)}, {"honey": -0.5 * i}) for i, q in enumerate("ABCVW")}


def test_values_are_halves_of_queen_and_sources():
    found = plan_crosses(
        PEDIGREE, [Cross("V", {"A": 1, "C": 3})], values(), weights={"honey": -2}, genetic_sd={"honey": 4.0}
    )
    trait = found[0].traits["honey"]
    assert (trait.worker, trait.queen) == (0.5 * 3 + 0.5 * 1.5, -0.25 * 3 - 0.25 * 1.5)
    assert trait.performance == trait.worker - 1.5
    assert found[0].merit == pytest.approx(-trait.daughters / 4.0)


def test_all_mothers_with_all_sources_at_once():
    mothers, sources = ["V", "W", "B"], ["A", "B", "C", "V"]
    F = brood_inbreeding(PEDIGREE, mothers, sources)
    for i, mother in enumerate(mothers):
        for j, source in enumerate(sources):
            one = plan_crosses(PEDIGREE, [Cross(mother, {source: 1.0})])[0]
            assert F[i, j] == pytest.approx(one.worker_inbreeding, abs=1e-14)
    assert F[0, 3] == pytest.approx(0.5 * (1 + build_nodes(PEDIGREE).F[3]))  # her own sons


def test_the_table_of_all_crosses_has_the_figures_of_each():
    """Two traits that hang together; merit's spread is that of the weighed, scaled sum of both."""
    queens, sources = ["V", "W"], ["A", "C"]
    G0 = np.array([[4.0, -1, 0.5, 0], [-1, 2, 0, 0.3], [0.5, 0, 9, -2], [0, 0.3, -2, 4]])
    sd = {"honey": np.sqrt(4.0), "calm": np.sqrt(9.0)}
    weights = {"honey": 3.0, "calm": -1.0}
    effects = {
        q: EffectValues({"honey": float(i), "calm": 1.0 - i}, {"honey": -0.5 * i, "calm": 0.2 * i})
        for i, q in enumerate("ACVW")
    }
    found = cross_table(
        PEDIGREE, queens, sources, n_drones=8, values=effects, traits=["honey", "calm"], G0=G0, weights=weights
    )
    k = np.array([0.75 / sd["honey"]] * 2 + [-0.25 / sd["calm"]] * 2)
    for i, queen in enumerate(queens):
        for j, source in enumerate(sources):
            one = plan_crosses(PEDIGREE, [Cross(queen, {source: 1.0}, 8)], effects, weights=weights, genetic_sd=sd)[0]
            assert found.worker_inbreeding[i, j] == pytest.approx(one.worker_inbreeding, abs=1e-14)
            assert found.merit[i, j] == pytest.approx(one.merit)
            for trait in sd:
                table, single = found.traits[trait], one.traits[trait]
                got = (table.worker[i, j], table.queen[i, j], table.performance[i, j], table.daughter_sd[i, j])
                assert got == pytest.approx((single.worker, single.queen, single.performance, single.daughter_sd))
                assert table.worker_sd[i, j] == pytest.approx(
                    np.sqrt(found.variance[i, j] * (4.0 if trait == "honey" else 9.0))
                )
            assert found.merit_sd[i, j] == pytest.approx(np.sqrt(found.variance[i, j] * k @ G0 @ k))


def test_a_cross_with_an_unknown_value_is_nan_and_the_others_stand():
    found = cross_table(
        PEDIGREE, ["V", "W"], ["A"], n_drones=None, values={q: values()[q] for q in "AV"}, traits=["honey"],
        G0=np.eye(2), weights={"honey": 1.0},
    )  # fmt: skip
    assert np.isfinite(found.merit[0, 0])
    assert np.isnan(found.merit[1, 0])
    assert np.isfinite(found.worker_inbreeding).all()


@pytest.mark.parametrize(
    ("cross", "path"),
    [
        (Cross("Z", {"A": 1}), "crosses[0].queen"),
        (Cross("V", {"Z": 1}), "crosses[0].sources.Z"),
        (Cross("V", {"A": -1}), "crosses[0].sources.A"),
        (Cross("V", {}), "crosses[0].sources"),
        (Cross("V", {"A": 1}, 0), "crosses[0].n_drones"),
    ],
)
def test_impossible_crosses_are_refused(cross, path):
    with pytest.raises(InputError) as refused:
        plan_crosses(PEDIGREE, [cross])
    assert refused.value.path == path


def test_a_missing_value_is_named():
    some = values()
    del some["C"]
    with pytest.raises(InputError, match='no value of queen "C"'):
        plan_crosses(PEDIGREE, [Cross("V", {"C": 1})], some)
