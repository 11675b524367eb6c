"""Optimum contributions on random pedigrees: sums, caps, optimality against random search, the gain curve."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st
from scipy import sparse

from breeding.genetics.contributions import _optimum, _Problem, optimum_contributions
from breeding.genetics.nodes import build_nodes
from breeding.genetics.pedigree import OneSource, Open, Pedigree, Queen
from breeding.genetics.relationship import relationship_matrix
from breeding.genetics.tracing import Tracer
from breeding.genetics.types import InputError
from tests.breeding.genetics.pedigrees import pedigrees

few = settings(max_examples=15, deadline=None, suppress_health_check=[HealthCheck.too_slow])


@few
@given(pedigrees(), st.integers(0, 10_000), st.sampled_from([1.0, 0.7, 0.5]))
def test_contributions_are_feasible_optimal_and_gain_rises_with_the_ceiling(pedigree, seed, cap):
    table = build_nodes(pedigree)
    rng = np.random.default_rng(seed)
    dams, drones = [table.queen_ids[q] for q in table.mated], table.queen_ids
    assume(len(dams) >= 2)
    c_dam = dict(zip(dams, rng.normal(size=len(dams)).tolist(), strict=True))
    c_drone = dict(zip(drones, rng.normal(size=len(drones)).tolist(), strict=True))
    caps = {**dict.fromkeys(drones, cap), **{f"W:{q}": cap for q in dams}}
    A = relationship_matrix(table, [*(f"W:{q}" for q in dams), *drones])
    least = optimum_contributions(table, c_dam, c_drone, [], cap=caps).min_coancestry
    thetas = [least * f for f in (1.0, 1.05, 1.2, 1.5, 3.0)]
    curve = optimum_contributions(table, c_dam, c_drone, thetas, cap=caps)
    gains = [s.gain for s in curve.solutions]
    assert all(s.status == "optimal" for s in curve.solutions), curve
    assert all(b >= a - 1e-7 for a, b in pairwise(gains))
    c = np.array([*c_dam.values(), *c_drone.values()])
    for s in curve.solutions:
        x = np.array([*s.dam_path.values(), *s.drone_path.values()])
        z = x / 2
        assert sum(s.dam_path.values()) == pytest.approx(1, abs=1e-7)
        assert sum(s.drone_path.values()) == pytest.approx(1, abs=1e-7)
        assert x.min() >= 0
        assert x.max() <= cap + 1e-7
        assert 0.5 * z @ A @ z <= s.max_coancestry * (1 + 1e-6)
        assert z @ c == pytest.approx(s.gain, abs=1e-9)
    for _ in range(200):  # nobody drawn at random does better under the same ceiling
        x = np.concatenate([rng.dirichlet(np.full(len(dams), 0.3)), rng.dirichlet(np.full(len(drones), 0.3))])
        if x.max() > cap:
            continue
        z = x / 2
        met = [s for s in curve.solutions if s.max_coancestry >= 0.5 * z @ A @ z]
        assert 0.5 * z @ A @ z >= least - 1e-9
        if met:
            assert z @ c <= met[0].gain + 1e-6


def test_two_candidates_per_path_without_relationships():
    """A = I among four queens, criteria 1, 1, 2, 2: the better one of each path gets all.

    Test example of a general optimum-contribution library, with the ceiling that its answer reaches.
    """

    eye = sparse.eye_array(4, format="csr")
    none = sparse.csr_array((4, 4))
    tracer = Tracer.of(none, np.ones(4), np.zeros(4, dtype=np.int64))
    path_of = np.array([0, 1, 0, 1])
    problem = _Problem(tracer, eye, none, np.ones(4), np.array([1.0, 1, 2, 2]), path_of, np.full(4, 0.5))
    found = _optimum(problem, 0.25, (["m1", "m2"], ["f1", "f2"]), 0.125, np.full(4, 0.25))
    assert found.status == "optimal"
    assert found.gain == pytest.approx(2.0)


def test_an_unknown_cap_is_refused():
    table = build_nodes(Pedigree([Queen("A")], {"A": Open(3)}))
    with pytest.raises(InputError, match="no candidate"):
        optimum_contributions(table, {"A": 1.0}, {"A": 1.0}, [0.5], cap={"Z": 0.5})


def test_candidates_made_of_the_same_genes_are_no_trouble():
    """The workers of a queen with very many of her own sons are, in the mean, the queen herself."""
    queens = [Queen("A"), Queen("B"), Queen("C")]
    table = build_nodes(Pedigree(queens, {"A": OneSource("A", None), "B": Open(12)}))
    c_dam, c_drone = {"A": 0.5, "B": -0.2}, {"A": 1.0, "B": 0.3, "C": 0.1}
    least = optimum_contributions(table, c_dam, c_drone, []).min_coancestry
    found = optimum_contributions(table, c_dam, c_drone, [least, least * 1.2, least * 1.5]).solutions
    assert [s.status for s in found] == ["optimal"] * 3
    assert found[0].gain < found[1].gain < found[2].gain
