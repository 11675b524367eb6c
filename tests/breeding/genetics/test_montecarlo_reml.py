"""Variance components from simulated traces: the score without bias, the same estimates, the error of the draws."""

import math

import numpy as np
import pytest

from breeding.genetics import estimates, reml
from breeding.genetics.colony_model import build_colony_model
from breeding.genetics.estimates import estimate_components
from breeding.genetics.montecarlo_reml import _Source, estimate_by_draws, sampled_scores
from breeding.genetics.nodes import build_nodes
from breeding.genetics.records import ModelSpec, Parameters, Record
from tests.breeding.genetics.test_estimates import PLACE, START, simulated, there
from tests.breeding.genetics.test_reml import TRUE, colonies

START_AT = [np.diag([6.0, 6.0]), np.array([[15.0]])]


def labels_of(matrices):
    return [(m, i, j) for m, K in enumerate(matrices) for i in range(len(K)) for j in range(i + 1)]


def two_traits_model():
    """Two traits with gaps, repeated records and a random factor: every kind of term."""
    table, records = colonies(3, years=3, families=5, sisters=5)
    rng = np.random.default_rng(0)
    two = [
        Record(
            r.queen,
            {"honey": r.values["honey"], "calm": None if i % 4 == 0 else float(rng.normal())},
            {**r.fixed, "area": f"a{i % 7}" if i % 3 else ""},
        )
        for i, r in enumerate([*records, *records[::2]])
    ]
    spec = ModelSpec(("place",), permanent_colony=True, random=("area",))
    matrices = [
        np.diag([9.0, 5.0, 0.5, 0.4]) + 0.1,
        np.array([[1.0, 0.1], [0.1, 0.3]]),
        np.array([[2.0, 0.0], [0.0, 0.2]]),
        np.array([[9.0, 0.2], [0.2, 0.6]]),
    ]
    return build_colony_model(table, two, spec, ["honey", "calm"]).model, matrices


@pytest.mark.parametrize("direct", [True, False])
def test_the_mean_score_of_many_draws_is_the_exact_one(direct):
    model, matrices = two_traits_model()
    labels = labels_of(matrices)
    exact = reml.score_of(model.at(matrices).gradients(), labels)
    draws = 800
    fit, drawn, _ = _Source(model, draws, 5, direct=direct).at(matrices)
    scores = sampled_scores(fit, drawn, labels)
    error = scores.std(axis=0, ddof=1) / math.sqrt(draws)
    assert (np.abs(scores.mean(axis=0) - exact) < 4.5 * error).all()
    assert (error < np.abs(exact) + np.sqrt(np.diag(fit.information(labels)))).all()


def test_estimates_agree_with_the_exact_ones_within_the_error_of_the_draws():
    table, records = colonies(5, years=4, families=18, sisters=8)
    model = build_colony_model(table, records, PLACE, ["honey"]).model
    exact = reml.estimate(model, START_AT[:1], START_AT[1])
    found = estimate_by_draws(model, START_AT[:1], START_AT[1], draws=200)
    assert found.converged
    assert found.boundaries == ()
    difference = [found.covariances[0][i, j] - exact.covariances[0][i, j] for i, j in ((0, 0), (1, 0), (1, 1))]
    difference.append(found.residual[0, 0] - exact.residual[0, 0])
    assert (np.abs(difference) < 4.5 * there(found.drawn)).all()
    assert (there(found.drawn) < 0.25 * np.sqrt(np.diag(found.sampling))).all()  # about 1/sqrt(200) of the errors
    np.testing.assert_allclose(found.covariances_se[0], exact.covariances_se[0], rtol=0.2)


def test_iterating_and_factorising_give_the_same():
    table, records = colonies(5, years=3, families=10, sisters=6)
    model = build_colony_model(table, records, PLACE, ["honey"]).model
    by_factor, iterated = (
        estimate_by_draws(model, START_AT[:1], START_AT[1], draws=20, direct=direct) for direct in (True, False)
    )
    np.testing.assert_allclose(iterated.covariances[0], by_factor.covariances[0], rtol=1e-2, atol=1e-2)
    np.testing.assert_allclose(there(iterated.drawn), there(by_factor.drawn), rtol=1e-2)


def test_the_same_seed_gives_the_same_and_progress_may_stop_it():
    table, records = colonies(5, years=2, families=8, sisters=6)
    model = build_colony_model(table, records, PLACE, ["honey"]).model
    one, two = (estimate_by_draws(model, START_AT[:1], START_AT[1], seed=3) for _ in range(2))
    np.testing.assert_array_equal(one.covariances[0], two.covariances[0])

    def stop(rounds, step):
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        estimate_by_draws(model, START_AT[:1], START_AT[1], progress=stop)


def test_a_stop_before_the_end_is_not_called_converged():
    table, records = colonies(5, years=2, families=8, sisters=6)
    model = build_colony_model(table, records, PLACE, ["honey"]).model
    found = estimate_by_draws(model, START_AT[:1], START_AT[1], max_rounds=1)
    assert (found.converged, found.rounds) == (False, 1)
    assert "not converged after 1 rounds" in found.note


def test_a_correlation_at_its_end_is_said_in_words_here_too():
    edge = Parameters(("honey",), np.array([[20.0, -13.9], [-13.9, 10.0]]), np.array([[4.0]]))
    pedigree, records = simulated(3, edge, spec_places=False, years=3, families=12, sisters=6)
    model = build_colony_model(build_nodes(pedigree), records, ModelSpec(), ["honey"]).model
    found = estimate_by_draws(model, [np.diag([10.0, 10.0])], np.array([[8.0]]), draws=64)
    assert [edge.kind for edge in found.boundaries] == ["correlation"]
    assert not found.estimable
    assert "a correlation within genetic reaches -1 or 1: not estimable with these data" in found.note


def test_large_populations_are_estimated_from_draws_without_tests(monkeypatch):
    pedigree, records = simulated(5, TRUE, years=4, families=18, sisters=8)
    exact = estimate_components(pedigree, records, PLACE, START)
    monkeypatch.setattr(estimates, "LARGEST_EXACT", 100)
    found = estimate_components(pedigree, records, PLACE, START)
    assert found.tests == ()
    assert math.isnan(found.result.loglik)
    known, drawn = (there(one.heritabilities["honey"].worker) for one in (exact, found))
    assert abs(drawn.value - known.value) < 1.5 * known.se
    assert drawn.se >= 0.8 * known.se


def test_a_step_made_small_by_the_edge_alone_is_not_called_the_end():
    """More effects than the data carry: the search ends on an edge and says so, or says that it found no end."""
    rng = np.random.default_rng(4)
    root = rng.normal(size=(8, 8))
    true = Parameters(("a", "b", "c", "d"), root @ root.T / 4, np.eye(4) * 3.0)
    pedigree, records = simulated(4, true, years=3, families=8, sisters=5)
    model = build_colony_model(build_nodes(pedigree), records, PLACE, list(true.traits)).model
    found = estimate_by_draws(model, [np.eye(8)], np.eye(4) * 3.0)
    assert found.boundaries or not found.converged
    assert found.note
