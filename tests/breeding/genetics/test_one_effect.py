"""Models of the queen alone or the workers alone, and the rule that says when they are all the data can carry."""

import numpy as np
import pytest
from scipy import sparse

from breeding.genetics.evaluation import evaluate
from breeding.genetics.feasibility import feasible_effects
from breeding.genetics.nodes import build_nodes
from breeding.genetics.parameters import Components, check_parameters, joined_parameters, one_effect_parameters
from breeding.genetics.pedigree import DroneShare, OneSource, Open, Pedigree, Pool, Queen
from breeding.genetics.prediction import Prediction
from breeding.genetics.records import ModelSpec, Parameters, Record
from breeding.genetics.relationship import relationship_of_pairs
from breeding.genetics.simulate import simulate_records, simulate_values
from breeding.genetics.types import InputError
from tests.breeding.genetics.test_evaluation import TRAITS, population

BOTH = joined_parameters(["honey"], [Components(worker=60.0, covariance=-12.0, queen=12.0, residual=40.0)])


def recorded(seed=4, **more):
    pedigree, colonies = population(seed, **more)
    rng = np.random.default_rng(seed)
    truth = simulate_values(build_nodes(pedigree), TRAITS, rng)
    found = simulate_records(truth, TRAITS, colonies, means=dict.fromkeys(TRAITS.traits, 10.0), factor_sd={}, rng=rng)
    return pedigree, found


@pytest.mark.parametrize("effects", ["queen", "worker"])
def test_values_errors_and_likelihood_are_those_of_the_dense_one_effect_model(effects):
    """Against V = Z A Z' s2 + I s2_e with A by the tabular pairs, Henderson's dense formulas."""
    pedigree, records = recorded(years=2, families=4, sisters=4)
    records = [Record(r.queen, {"honey": r.values["honey"]}, r.fixed) for r in records]
    parameters = one_effect_parameters(BOTH, effects)
    residual = float(parameters.R0[0, 0])
    table = build_nodes(pedigree, mated=[r.queen for r in records])
    found = Prediction(table, records, ModelSpec(("place",), effects=effects), parameters)
    variance = float(parameters.G0.max())
    rows = found.workers.rows if effects == "worker" else found.queens.rows[found.mated.queens]
    order = {table.queen_ids[q]: i for i, q in enumerate(found.mated.queens.tolist())}
    units = rows.toarray()[[order[r.queen] for r in records]]
    eye = np.eye(table.n_nodes)
    left, right = (np.repeat(eye, table.n_nodes, axis=0), np.tile(eye, (table.n_nodes, 1)))
    A = relationship_of_pairs(table, sparse.csr_array(left), sparse.csr_array(right)).reshape(eye.shape)
    y = np.array([r.values["honey"] for r in records])
    places = sorted({r.fixed["place"] for r in records})
    X = np.array([[float(r.fixed["place"] == p) for p in places] for r in records])
    V = units @ A @ units.T * variance + np.eye(len(y)) * residual
    Vi = np.linalg.inv(V)
    P = Vi - Vi @ X @ np.linalg.inv(X.T @ Vi @ X) @ X.T @ Vi
    queens = found.queens.rows.toarray()
    covariance = queens @ A @ units.T * variance
    kept = 1 if effects == "queen" else 0
    predicted = found.of(found.queens)
    np.testing.assert_allclose(predicted.value[:, kept], covariance @ P @ y, atol=1e-9)
    assert not predicted.value[:, 1 - kept].any()
    pev = np.diag(queens @ A @ queens.T) * variance - np.einsum("ij,jk,ik->i", covariance, P, covariance)
    np.testing.assert_allclose(predicted.pev[:, kept, kept], pev, atol=1e-9)
    expected = -0.5 * (
        (len(y) - X.shape[1]) * np.log(2 * np.pi)
        + np.linalg.slogdet(V)[1]
        + np.linalg.slogdet(X.T @ Vi @ X)[1]
        + y @ P @ y
    )
    assert found.fit.loglik == pytest.approx(expected, abs=1e-8)


@pytest.mark.parametrize("effects", ["queen", "worker"])
def test_a_run_with_one_effect_has_every_value_and_likely_places(effects):
    pedigree, records = recorded()
    run = evaluate(
        pedigree,
        records,
        ModelSpec(("place",), effects=effects),
        one_effect_parameters(TRAITS, effects),
        weights={"honey": 0.5, "calm": 0.5},
    )
    own = run.queen if effects == "queen" else run.worker
    np.testing.assert_allclose(run.total.value, own.value)
    mated = ~np.isnan(run.performance.value[:, 0])
    # queen-only: her colony does what her own genes say; worker-only: what her worker group's genes say
    same = run.total if effects == "queen" else run.as_mother
    np.testing.assert_allclose(run.performance.value[mated], same.value[mated])
    np.testing.assert_allclose(run.performance.error[mated], same.error[mated])
    assert ((run.merit_drones.reliability >= 0) & (run.merit_drones.reliability < 1)).all()
    places = run.likely_places(list(run.queens[-20:]), criterion="performance", rng=np.random.default_rng(1))
    assert all(1 <= p.best <= p.worst <= 20 for p in places.values())


def phenotypic(parameters, k, m, a_ww=0.35):
    """Covariance of two traits' results of a colony with a(Q, W) = 1/2."""
    G = parameters.G0[2 * k : 2 * k + 2, 2 * m : 2 * m + 2]
    return a_ww * G[0, 0] + G[1, 1] + 0.5 * (G[0, 1] + G[1, 0]) + parameters.R0[k, m]


def test_phenotypic_variances_and_covariances_stay_when_one_effect_takes_all():
    rng = np.random.default_rng(3)
    root = rng.normal(size=(4, 4))
    both = Parameters(("a", "b"), root @ root.T, np.array([[9.0, 1.0], [1.0, 4.0]]))
    assert one_effect_parameters(both, "both") is both
    for effects in ("queen", "worker"):
        one = one_effect_parameters(both, effects)
        check_parameters(one, effects=effects)
        for k, m in ((0, 0), (0, 1), (1, 1)):
            assert phenotypic(one, k, m) == pytest.approx(phenotypic(both, k, m))
    there = one_effect_parameters(one_effect_parameters(both, "queen"), "worker")
    np.testing.assert_allclose(there.G0, one_effect_parameters(both, "worker").G0)


def test_values_for_the_effect_that_is_left_out_are_refused():
    pedigree, records = recorded(years=2, families=2, sisters=3)
    with pytest.raises(InputError, match="must be 0 for what a queen-only model leaves out"):
        evaluate(pedigree, records, ModelSpec(effects="queen"), TRAITS, weights={"honey": 1.0})


def of_queens(n, matings, recorded_ids):
    pedigree = Pedigree([Queen(f"q{i}") for i in range(n)], matings)
    return feasible_effects(pedigree, [Record(i, {"honey": 1.0}) for i in recorded_ids])


def test_two_effects_need_a_controlled_mating_and_records_on_more_than_a_fifth():
    open_ = {f"q{i}": Open(12) for i in range(10)}
    pool = {**open_, "q0": Pool((DroneShare("q9", 1, 4),))}
    assert of_queens(10, pool, ["q0", "q1", "q2"]).effects == "both"
    assert of_queens(10, pool, ["q0", "q1", "q2"]).reasons() == ()
    few = of_queens(10, pool, ["q0", "q1"])  # exactly one in five is not more
    assert (few.effects, few.recorded, few.colonies, few.overestimates) == ("worker", 2, 10, True)
    assert "Only 2 of 10 colonies" in few.reasons()[0]
    uncontrolled = of_queens(10, open_, ["q0", "q1", "q2", "q3"])
    assert (uncontrolled.effects, uncontrolled.controlled, uncontrolled.overestimates) == ("queen", 0, False)
    assert "No tested queen was mated under control" in uncontrolled.reasons()[0]
    # a controlled mating counts only where there is a record to learn from
    assert of_queens(10, {**open_, "q9": OneSource("q8", 5)}, ["q0", "q1", "q2"]).effects == "queen"


def test_a_record_without_a_value_does_not_count():
    pedigree = Pedigree([Queen("q0"), Queen("q1")], {"q0": OneSource("q1", 5), "q1": Open(12)})
    found = feasible_effects(pedigree, [Record("q0", {"honey": None})])
    assert (found.recorded, found.controlled, found.effects) == (0, 0, "queen")
