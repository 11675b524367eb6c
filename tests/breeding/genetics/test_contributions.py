"""Optimum contributions on random pedigrees: sums, caps, optimality against random search, the gain curve."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy import sparse

from breeding.genetics import contribution_solver
from breeding.genetics.contribution_problem import Problem, kkt_violation
from breeding.genetics.contribution_solver import KKT_TOLERANCE, best_below, least_coancestry
from breeding.genetics.contributions import optimum_contributions
from breeding.genetics.nodes import build_nodes
from breeding.genetics.pedigree import OneSource, Open, Pedigree, Queen
from breeding.genetics.relationship import relationship_matrix
from breeding.genetics.tracing import Tracer
from breeding.genetics.types import InputError
from tests.breeding.genetics.pedigrees import pedigrees

few = settings(max_examples=15)


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
    assert curve.least.status == "optimal", curve.least
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
    problem = Problem(
        tracer,
        eye,
        none,
        np.ones(4),
        np.zeros(4, dtype=np.int64),
        np.array([1.0, 1, 2, 2]),
        path_of,
        np.zeros(4),
        np.full(4, 0.5),
    )
    found = best_below(problem, 0.25, least_coancestry(problem))
    assert found.z == pytest.approx(np.array([0, 0, 0.5, 0.5]))
    assert found.kkt <= 1e-9


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


def _unrelated(n: int):
    """n unrelated queens, each openly mated with very many drones: worker groups 1/4, queens 1."""
    ids = [f"Q{i}" for i in range(n)]
    return ids, build_nodes(Pedigree([Queen(q) for q in ids], {q: Open(None) for q in ids}))


def test_the_condition_check_finds_what_is_not_optimal():
    eye, none = sparse.eye_array(4, format="csr"), sparse.csr_array((4, 4))
    tracer = Tracer.of(none, np.ones(4), np.zeros(4, dtype=np.int64))
    problem = Problem(
        tracer,
        eye,
        none,
        np.ones(4),
        np.zeros(4, dtype=np.int64),
        np.array([1.0, 2, 1, 2]),
        np.array([0, 0, 1, 1]),
        np.zeros(4),
        np.full(4, 0.5),
    )
    best = best_below(problem, 0.2, least_coancestry(problem))
    assert best.kkt <= 1e-9
    worse = best.z + np.array([0.01, -0.01, 0, 0])
    assert kkt_violation(problem, worse, best.multiplier) > 100 * KKT_TOLERANCE
    unused = np.array([0.5, 0, 0, 0.5])  # the better mother is left out
    assert kkt_violation(problem, unused, 0.0) == pytest.approx(0.5)


def test_four_unrelated_mothers_share_the_least_coancestry():
    """Each path alone: 1/2 z'z 1/4 with x = 1/4 and 1/2 z'z with y = 1/4; mother and source are 1/2 related.

    z'A z = sum (x/2)^2 / 4 + 2 sum (x/2)(y/2) / 2 + sum (y/2)^2 = 4 (1/8)^2 (1/4 + 1 + 1) = 9/64; half of it is 9/128.
    """
    ids, table = _unrelated(4)
    values = dict.fromkeys(ids, 1.0)
    curve = optimum_contributions(table, values, values, [0.07])
    assert curve.min_coancestry == pytest.approx(9 / 128)
    assert curve.solutions[0].status == "infeasible"
    assert f"{9 / 128:.6f}" in curve.solutions[0].message
    assert curve.least.dam_path == pytest.approx(dict.fromkeys(ids, 0.25))


def test_a_least_use_is_met_and_costs_gain():
    ids, table = _unrelated(5)
    values = {q: float(i) for i, q in enumerate(ids)}
    [free] = optimum_contributions(table, values, values, [0.12]).solutions
    [held] = optimum_contributions(table, values, values, [0.12], least_use={"W:Q0": 0.3, "Q1": 0.1}).solutions
    assert (free.status, held.status) == ("optimal", "optimal")
    assert free.dam_path["Q0"] == pytest.approx(0, abs=1e-6)
    assert held.dam_path["Q0"] == pytest.approx(0.3)
    assert held.drone_path["Q1"] == pytest.approx(0.1)
    assert held.gain < free.gain


def test_nobody_is_used_below_the_smallest_use_and_the_loss_is_said():
    """Against every choice of candidates: the sorted-out one may lose, but never more than ``gain_lost`` says."""
    ids, table = _unrelated(6)
    values = {q: 1.0 + 0.3 * i for i, q in enumerate(ids)}
    least = optimum_contributions(table, values, values, []).min_coancestry
    theta = 1.25 * least
    [free] = optimum_contributions(table, values, values, [theta]).solutions
    [found] = optimum_contributions(table, values, values, [theta], smallest_use=(0.2, 0.15)).solutions
    assert min(share for share in free.dam_path.values() if share > 1e-9) < 0.2
    assert found.status == "optimal"
    assert all(share < 1e-9 or share >= 0.2 - 1e-9 for share in found.dam_path.values())
    assert all(share < 1e-9 or share >= 0.15 - 1e-9 for share in found.drone_path.values())
    assert found.coancestry <= theta * (1 + 1e-7)
    assert found.gain + found.gain_lost == pytest.approx(free.gain)
    assert 0 < found.gain_lost < 0.1


def test_where_all_are_worth_the_same_the_least_coancestry_is_taken():
    ids, table = _unrelated(6)
    values = dict.fromkeys(ids, 1.0)
    curve = optimum_contributions(table, values, values, [0.05], smallest_use=(0.4, 0.0))
    [found] = curve.solutions
    assert found.status == "optimal"
    assert found.gain_lost == pytest.approx(0)
    assert sorted(round(x, 6) for x in found.dam_path.values()) == [0, 0, 0, 0, 0.5, 0.5]
    assert sum(found.drone_path.values()) == pytest.approx(1)


def test_a_smallest_use_that_nobody_can_have_is_said():
    """Two unrelated sources at 0.6 or not at all: one alone, with daughters of the other, gives 5/32, not 9/64."""
    _, table = _unrelated(2)
    values = {"Q0": 1.0, "Q1": 1.1}
    theta = 1.01 * optimum_contributions(table, values, values, []).min_coancestry
    [found] = optimum_contributions(table, values, values, [theta], smallest_use=(0.0, 0.6)).solutions
    assert (found.status, "cannot be met" in found.message) == ("not_converged", True)


@pytest.mark.parametrize(
    ("bounds", "text"),
    [
        ({"least_use": {"Q0": 0.6, "Q1": 0.6}}, "more than all"),
        ({"least_use": {"Q0": 0.5}, "cap": {"Q0": 0.4}}, "above her cap"),
        ({"least_use": {"Z": 0.5}}, "no candidate"),
        ({"cap": {"Q0": 0.1, "Q1": 0.1}}, "leaves only"),
        ({"smallest_use": (1.5, 0.0)}, "between 0 and 1"),
    ],
)
def test_bounds_that_cannot_be_met_are_refused(bounds, text):
    ids, table = _unrelated(2)
    values = dict.fromkeys(ids, 1.0)
    with pytest.raises(InputError, match=text):
        optimum_contributions(table, values, values, [0.5], **bounds)


@pytest.mark.parametrize("factor", [1.6, 2.0])
def test_starting_from_few_candidates_ends_where_all_at_once_do(monkeypatch, factor):
    rng = np.random.default_rng(3)
    founders = [Queen(f"F{i}") for i in range(30)]
    daughters = [Queen(f"D{i}", f"F{rng.integers(30)}") for i in range(170)]
    matings = {q.id: OneSource(f"F{rng.integers(30)}", 8) for q in daughters} | {q.id: Open(12) for q in founders}
    table = build_nodes(Pedigree([*founders, *daughters], matings))
    ids = [q.id for q in daughters]
    values = dict(zip(ids, rng.normal(size=len(ids)).tolist(), strict=True))
    cap = dict.fromkeys(ids, 0.2)
    theta = factor * optimum_contributions(table, values, values, [], cap=cap).min_coancestry
    [whole] = optimum_contributions(table, values, values, [theta], cap=cap, least_use={"D3": 0.02}).solutions
    sizes: list[int] = []
    solve = contribution_solver._best

    def counting(part, theta):
        sizes.append(len(part.c))
        return solve(part, theta)

    monkeypatch.setattr(contribution_solver, "SMALL", 50)
    monkeypatch.setattr(contribution_solver, "FIRST", 40)
    monkeypatch.setattr(contribution_solver, "_best", counting)
    [few] = optimum_contributions(table, values, values, [theta], cap=cap, least_use={"D3": 0.02}).solutions
    assert (whole.status, few.status) == ("optimal", "optimal")
    assert sizes[0] < len(ids)  # of 340 on both paths
    assert few.gain == pytest.approx(whole.gain, abs=1e-8)
    assert few.dam_path == pytest.approx(whole.dam_path, abs=1e-5)
