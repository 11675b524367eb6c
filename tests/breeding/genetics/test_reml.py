"""Variance components of colonies: gradient, recovery of simulated values, boundary in words."""

from itertools import pairwise

import numpy as np
import pytest

from breeding.genetics import reml
from breeding.genetics.colony_model import build_colony_model
from breeding.genetics.nodes import build_nodes
from breeding.genetics.pedigree import Open, Pedigree, Queen
from breeding.genetics.records import ModelSpec, Parameters, Record
from breeding.genetics.simulate import simulate_records, simulate_values
from tests.breeding.genetics.test_evaluation import population

TRUE = Parameters(("honey",), np.array([[12.0, -3.0], [-3.0, 6.0]]), np.array([[10.0]]))


def colonies(seed, **more):
    pedigree, tested = population(seed, **more)
    rng = np.random.default_rng(seed + 1)
    table = build_nodes(pedigree)
    truth = simulate_values(table, TRUE, rng)
    records = simulate_records(truth, TRUE, tested, means={"honey": 20.0}, factor_sd={"place": {"honey": 3.0}}, rng=rng)
    return table, records


def test_gradient_equals_differences_of_the_likelihood():
    table, records = colonies(3, years=2, families=4, sisters=5)
    rng = np.random.default_rng(0)
    two = [
        Record(r.queen, {"honey": r.values["honey"], "calm": None if i % 4 == 0 else float(rng.normal())}, r.fixed)
        for i, r in enumerate(records)
    ]
    model = build_colony_model(table, two, ModelSpec(("place",), permanent_colony=True), ["honey", "calm"]).model
    G0 = np.diag([9.0, 5.0, 0.5, 0.4]) + 0.1
    matrices = [G0, np.array([[1.0, 0.1], [0.1, 0.3]]), np.array([[9.0, 0.2], [0.2, 0.6]])]
    labels = [(m, i, j) for m, K in enumerate(matrices) for i in range(len(K)) for j in range(i + 1)]
    score = reml.score_of(model.at(matrices).gradients(), labels)
    for which, (m, i, j) in enumerate(labels):
        step = 1e-4
        values = []
        for sign in (1, -1):
            moved = [K.copy() for K in matrices]
            moved[m][i, j] += sign * step
            if i != j:
                moved[m][j, i] += sign * step
            values.append(model.solve(moved[:-1], moved[-1]).loglik)
        assert score[which] == pytest.approx((values[0] - values[1]) / (2 * step), rel=1e-4, abs=1e-4)


def test_simulated_components_are_found_within_their_errors():
    table, records = colonies(5, years=4, families=18, sisters=8)
    model = build_colony_model(table, records, ModelSpec(("place",)), ["honey"]).model
    seen = []
    result = reml.estimate(model, [np.diag([6.0, 6.0])], np.array([[15.0]]), progress=lambda r, ll: seen.append(ll))
    assert result.converged
    assert result.note == ""
    assert all(b >= a - 1e-6 for a, b in pairwise(seen))
    G, se = result.covariances[0], result.covariances_se[0]
    assert (np.abs(G - TRUE.G0) < 3 * se).all()
    assert abs(result.residual[0, 0] - 10) < 3 * result.residual_se[0, 0]
    assert 0 < se[0, 0] < 12
    there = model.at([*result.covariances, result.residual])
    score = reml.score_of(there.gradients(), result.labels)
    assert np.abs(score).max() < 1e-3


def test_components_that_data_cannot_tell_apart_are_said_in_words():
    """Openly mated base queens with one record each: worker and queen effect never separate."""
    rng = np.random.default_rng(1)
    ids = [f"q{i}" for i in range(40)]
    table = build_nodes(Pedigree([Queen(i) for i in ids], {i: Open(12) for i in ids}))
    records = [Record(i, {"honey": float(rng.normal())}) for i in ids]
    model = build_colony_model(table, records, ModelSpec(), ["honey"]).model
    result = reml.estimate(model, [np.diag([0.3, 0.3])], np.array([[0.5]]), max_rounds=60)
    assert not result.converged
    assert "cannot tell the variance components apart" in result.note


def test_a_correlation_at_its_end_is_said_in_words():
    """Worker and queen effect simulated with correlation -0.99 end on the boundary, in words."""
    truth_at = Parameters(("honey",), np.array([[20.0, -13.9], [-13.9, 10.0]]), np.array([[4.0]]))
    pedigree, tested = population(3, years=3, families=12, sisters=6)
    rng = np.random.default_rng(2)
    table = build_nodes(pedigree)
    truth = simulate_values(table, truth_at, rng)
    records = simulate_records(truth, truth_at, tested, means={"honey": 0.0}, factor_sd={}, rng=rng)
    model = build_colony_model(table, records, ModelSpec(), ["honey"]).model
    result = reml.estimate(model, [np.diag([10.0, 10.0])], np.array([[8.0]]), max_rounds=100)
    G = result.covariances[0]
    correlation = G[0, 1] / np.sqrt(G[0, 0] * G[1, 1])
    assert correlation < -0.998
    assert "a correlation within genetic reaches -1 or 1" in result.note
    assert result.converged


def test_a_stop_before_the_end_is_not_called_converged():
    table, records = colonies(5, years=2, families=8, sisters=6)
    model = build_colony_model(table, records, ModelSpec(("place",)), ["honey"]).model
    result = reml.estimate(model, [np.diag([6.0, 6.0])], np.array([[15.0]]), max_rounds=2)
    assert (result.rounds, result.converged) == (2, False)
    assert "not converged after 2 rounds" in result.note
