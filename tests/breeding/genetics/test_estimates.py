"""Estimates as breeders read them: heritabilities with errors, two effects tested against one, edges in words."""

import numpy as np
import pytest
from scipy import optimize, sparse, stats

from breeding.genetics import reml
from breeding.genetics.boundary import Boundary, boundaries_of
from breeding.genetics.colony_model import build_colony_model
from breeding.genetics.estimates import (
    delta,
    estimate_components,
    estimated_heritabilities,
    genetic_correlations,
    second_effect_p,
)
from breeding.genetics.nodes import build_nodes
from breeding.genetics.parameters import Components, Heritabilities, components_of, joined_parameters
from breeding.genetics.pedigree import Open, Pedigree, Queen
from breeding.genetics.prediction import Prediction
from breeding.genetics.records import ModelSpec, Parameters, Record
from breeding.genetics.relationship import relationship_of_pairs
from breeding.genetics.simulate import RecordedColony, simulate_records, simulate_values
from breeding.genetics.types import InputError
from tests.breeding.genetics.test_evaluation import population
from tests.breeding.genetics.test_reml import TRUE, colonies

START = joined_parameters(["honey"], [components_of(25.0, Heritabilities(0.25, 0.15, -0.5))])
PLACE = ModelSpec(("place",))


def there(one):
    """What the model under test must hold."""
    assert one is not None
    return one


def simulated(seed, parameters, *, spec_places=True, twice=False, **more):
    pedigree, tested = population(seed, **more)
    if twice:
        tested = [*tested, *(RecordedColony(c.queen, {"place": f"again {c.fixed['place']}"}) for c in tested)]
    rng = np.random.default_rng(seed + 1)
    truth = simulate_values(build_nodes(pedigree), parameters, rng)
    sd = {"place": dict.fromkeys(parameters.traits, 3.0)} if spec_places else {}
    return pedigree, simulate_records(
        truth, parameters, tested, means=dict.fromkeys(parameters.traits, 20.0), factor_sd=sd, rng=rng
    )


@pytest.fixture(scope="module")
def result():
    table, records = colonies(5, years=4, families=18, sisters=8)
    model = build_colony_model(table, records, PLACE, ["honey"]).model
    return reml.estimate(model, [np.diag([6.0, 6.0])], np.array([[15.0]]))


def test_error_of_a_component_is_its_own_standard_error(result):
    value, se = delta(result, lambda matrices: matrices[0].ravel())
    np.testing.assert_allclose(value, result.covariances[0].ravel())
    np.testing.assert_allclose(se, result.covariances_se[0].ravel(), rtol=1e-6)


def test_error_of_a_ratio_follows_the_textbook_formula(result):
    """Var(a/b) = (a/b)^2 (Va/a^2 + Vb/b^2 - 2 Cov/(ab))."""
    a, b = result.covariances[0][0, 0], result.residual[0, 0]
    at = [result.labels.index(label) for label in ((0, 0, 0), (1, 0, 0))]
    S = result.sampling[np.ix_(at, at)]
    expected = (a / b) * np.sqrt(S[0, 0] / a**2 + S[1, 1] / b**2 - 2 * S[0, 1] / (a * b))
    value, se = delta(result, lambda m: np.array([m[0][0, 0] / m[1][0, 0]]))
    assert value[0] == pytest.approx(a / b)
    assert se[0] == pytest.approx(expected, rel=1e-6)


def test_heritabilities_have_errors_in_their_range(result):
    found = estimated_heritabilities(result)
    worker, queen, correlation = there(found.worker), there(found.queen), there(found.correlation)
    assert 0 < worker.se < 0.5
    assert 0 < queen.value < 1
    assert -1 < correlation.value < 1
    G, a_ww = result.covariances[0], 0.35
    whole = a_ww * G[0, 0] + G[1, 1] + G[0, 1] + result.residual[0, 0]
    assert found.phenotypic_variance.value == pytest.approx(whole)
    assert worker.value == pytest.approx(a_ww * G[0, 0] / whole)
    assert found.colony.value == pytest.approx(1 - result.residual[0, 0] / whole)
    assert found.permanent is None
    r, errors = genetic_correlations(result)
    assert (r[0, 1], errors[1, 0]) == pytest.approx((correlation.value, correlation.se))


def dense_maximum(pedigree, records, effects):
    """Restricted log-likelihood maximised over the cone by a general optimiser on dense matrices."""
    table = build_nodes(pedigree, mated=[r.queen for r in records])
    found = Prediction(table, records, PLACE, START)
    order = {table.queen_ids[q]: i for i, q in enumerate(found.mated.queens.tolist())}
    rows = [order[r.queen] for r in records]
    W, Q = found.workers.rows[rows].toarray(), found.queens.rows[found.mated.queens[rows]].toarray()
    n = table.n_nodes
    pairs = np.repeat(np.eye(n), n, axis=0), np.tile(np.eye(n), (n, 1))
    A = relationship_of_pairs(table, sparse.csr_array(pairs[0]), sparse.csr_array(pairs[1])).reshape(n, n)
    ww, wq, qq = W @ A @ W.T, W @ A @ Q.T + Q @ A @ W.T, Q @ A @ Q.T
    y = np.array([r.values["honey"] for r in records])
    places = sorted({r.fixed["place"] for r in records})
    X = np.array([[float(r.fixed["place"] == p) for p in places] for r in records])

    def minus(theta):
        a, b, c, e = (
            theta if effects == "both" else {"queen": (0, 0, *theta), "worker": (theta[0], 0, 0, theta[1])}[effects]
        )
        V = a * a * ww + a * b * wq + (b * b + c * c) * qq + np.exp(e) * np.eye(len(y))
        L = np.linalg.cholesky(V)
        Vi = np.linalg.inv(V)
        XtV = X.T @ Vi
        P = Vi - XtV.T @ np.linalg.solve(XtV @ X, XtV)
        free = len(y) - X.shape[1]
        return 0.5 * (
            free * np.log(2 * np.pi) + 2 * np.log(np.diag(L)).sum() + np.linalg.slogdet(XtV @ X)[1] + y @ P @ y
        )

    G = START.G0
    both = [np.sqrt(G[0, 0]), G[0, 1] / np.sqrt(G[0, 0]), 1.5, np.log(START.R0[0, 0])]
    begin = {"both": both, "queen": [2.0, both[3]], "worker": [3.0, both[3]]}[effects]
    best = optimize.minimize(minus, begin, method="Nelder-Mead", options={"fatol": 1e-8, "maxiter": 2000})
    return -best.fun


def test_likelihood_ratios_are_those_of_a_general_optimiser_on_dense_matrices():
    pedigree, records = simulated(31, TRUE, years=3, families=5, sisters=5)
    found = estimate_components(pedigree, records, PLACE, START)
    assert found.result.converged
    both = dense_maximum(pedigree, records, "both")
    assert found.result.loglik == pytest.approx(both, abs=2e-3)
    for test, against in zip(found.tests, ("queen", "worker"), strict=True):
        statistic = max(0.0, 2 * (both - dense_maximum(pedigree, records, against)))
        assert test.against == against
        assert test.statistic == pytest.approx(statistic, abs=4e-3)
        assert test.p == pytest.approx(0.5 * stats.chi2.sf(statistic, 1) + 0.5 * stats.chi2.sf(statistic, 2), abs=2e-3)


def test_p_value_on_the_boundary():
    """Half chi-square(1), half chi-square(2): its 95 % point is 5.14 (from the two tails of scipy)."""
    assert second_effect_p(0.0) == 1.0
    for x in (0.5, 3.0, 5.138, 12.0):
        assert second_effect_p(x) == pytest.approx(0.5 * stats.chi2.sf(x, 1) + 0.5 * stats.chi2.sf(x, 2))
    assert second_effect_p(5.138) == pytest.approx(0.05, abs=1e-4)


def test_two_effects_are_told_from_one_where_they_are_there():
    clear = joined_parameters(["honey"], [Components(30.0, 0.0, 12.0, 4.0)])
    pedigree, records = simulated(8, clear, years=4, families=15, sisters=7)
    found = estimate_components(pedigree, records, PLACE, START)
    assert found.result.estimable
    assert max(test.p for test in found.tests) < 0.01
    assert (found.effects, found.records) == ("both", len(records))
    np.testing.assert_allclose(found.parameters.G0, found.result.covariances[0])


@pytest.mark.parametrize("effects", ["queen", "worker"])
def test_a_model_of_one_effect_gives_its_heritability_alone(effects):
    pedigree, records = simulated(8, TRUE, years=3, families=12, sisters=6)
    found = estimate_components(pedigree, records, ModelSpec(("place",), effects=effects), START)
    assert found.tests == ()
    h = found.heritabilities["honey"]
    own, other = (h.queen, h.worker) if effects == "queen" else (h.worker, h.queen)
    assert (other, h.correlation) == (None, None)
    assert there(own).value == pytest.approx(h.colony.value)
    kept = 1 if effects == "queen" else 0
    assert found.parameters.G0[kept, kept] == found.result.covariances[0][0, 0]
    assert not found.parameters.G0[1 - kept].any()


def test_two_traits_with_a_permanent_effect_are_found_within_their_errors():
    G0 = np.array([[12, -3, 0.6, 0.0], [-3, 6, 0.0, 0.5], [0.6, 0, 0.3, -0.05], [0, 0.5, -0.05, 0.2]])
    true = Parameters(("honey", "calm"), G0, np.array([[10, 0.3], [0.3, 0.3]]), np.array([[4.0, 0.1], [0.1, 0.1]]))
    pedigree, records = simulated(6, true, years=3, families=18, sisters=7, twice=True)
    start = Parameters(true.traits, np.diag(np.diag(G0)) * 0.7, np.diag([12.0, 0.4]), np.diag([3.0, 0.15]))
    found = estimate_components(pedigree, records, ModelSpec(("place",), permanent_colony=True), start)
    assert found.result.converged, found.result.note
    assert found.result.boundaries == ()
    estimates = [*found.result.covariances, found.result.residual]
    errors = [*found.result.covariances_se, found.result.residual_se]
    for estimate, error, truth in zip(estimates, errors, (true.G0, there(true.permanent), true.R0), strict=True):
        assert (np.abs(estimate - truth) < 3.5 * error).all()
    assert there(found.heritabilities["honey"].permanent).value == pytest.approx(
        found.result.covariances[1][0, 0] / found.heritabilities["honey"].phenotypic_variance.value
    )
    np.testing.assert_allclose(there(found.parameters.permanent), found.result.covariances[1])


def test_errors_are_the_spread_of_estimates_over_repeated_data():
    """Twelve simulated data sets: the spread of the residual estimates agrees with the stated errors."""
    pedigree, tested = population(2, years=2, families=10, sisters=6)
    truth_at, found, errors = TRUE, [], []
    table = build_nodes(pedigree)
    for seed in range(12):
        rng = np.random.default_rng(seed)
        truth = simulate_values(table, truth_at, rng)
        records = simulate_records(truth, truth_at, tested, means={"honey": 0.0}, factor_sd={}, rng=rng)
        spec = ModelSpec(("place",), effects="queen")
        one = estimate_components(pedigree, records, spec, START)
        found.append(one.heritabilities["honey"].phenotypic_variance.value)
        errors.append(one.heritabilities["honey"].phenotypic_variance.se)
    assert 0.5 < np.std(found, ddof=1) / np.mean(errors) < 1.7


def test_a_variance_at_zero_is_named_and_has_no_correlation():
    """Data without any queen effect: her variance ends at 0 or the correlation at its end, in words."""
    none = joined_parameters(["honey"], [Components(30.0, 0.0, 1e-6, 10.0)])
    ends = []
    for seed in (1, 2, 3):
        pedigree, records = simulated(seed, none, years=3, families=10, sisters=6)
        found = estimate_components(pedigree, records, PLACE, START)
        if found.result.boundaries:
            ends.append(found)
            assert not found.result.estimable
            assert "not estimable with these data" in found.result.note
            if found.result.boundaries[0].kind == "variance":
                assert found.heritabilities["honey"].correlation is None
            assert {t.against: t.p for t in found.tests}["worker"] > 0.05
    assert ends


def test_edges_are_found_in_traits_of_any_unit():
    G0 = np.diag([1e4, 1e4, 1e-3, 1e-4])  # a trait in grams, one in points of a narrow scale
    assert boundaries_of(["genetic"], [G0, np.diag([1e4, 1e-3])]) == ()
    G0[1, 1] = 0.5
    assert boundaries_of(["genetic"], [G0, np.diag([1e4, 1e-3])]) == (Boundary("genetic", "variance", (1,)),)
    G0 = np.array([[4.0, -1.9999, 0], [-1.9999, 1.0, 0], [0, 0, 1.0]])
    edge = boundaries_of(["genetic"], [G0, np.eye(3)])
    assert edge == (Boundary("genetic", "correlation", (0, 1)),)
    assert boundaries_of([], [np.array([[1.0, 1.0], [1.0, 1.0]])])[0].kind == "residual"


def test_progress_goes_forward_and_may_stop_the_work():
    pedigree, records = simulated(3, TRUE, years=2, families=5, sisters=5)
    told = []
    estimate_components(pedigree, records, PLACE, START, progress=lambda step, part: told.append(part))
    assert told == sorted(told)
    assert (told[0], told[-1]) == (0.0, 1.0)

    def stop(step, part):
        if part > 0.2:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        estimate_components(pedigree, records, PLACE, START, progress=stop)


def test_what_cannot_be_estimated_is_refused_by_name():
    pedigree = Pedigree([Queen("a")], {"a": Open(12)})
    record = [Record("a", {"honey": 1.0})]
    with pytest.raises(InputError, match=r"start\.permanent"):
        estimate_components(pedigree, record, ModelSpec(permanent_colony=True), START)
    with pytest.raises(InputError, match=r"model\.random"):
        estimate_components(pedigree, record, ModelSpec(random=("area",)), START)
