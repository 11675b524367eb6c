"""Planned crosses against the recorded mating they would become."""

from dataclasses import replace

import numpy as np
import pytest

from breeding.genetics.crosses import Cross, EffectValues, brood_inbreeding, plan_crosses
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
