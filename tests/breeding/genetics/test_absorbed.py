"""Absorbed equations = full equations = dense algebra, on random pedigrees with every kind of mating."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy import sparse

from benchmarks.populations import population
from breeding.genetics.absorbed import AbsorbedModel
from breeding.genetics.cells import ColonyData
from breeding.genetics.colony_errors import exact_errors, joint_errors, node_errors
from breeding.genetics.colony_model import build_colony_model, full_equations
from breeding.genetics.likelihood import ModelLikelihood
from breeding.genetics.nodes import build_nodes, node_table
from breeding.genetics.records import ModelSpec, Parameters
from breeding.genetics.sampled import sampled_errors
from tests.breeding.genetics.test_mixed_model import TWO, dense, pedigrees_with_records

some = settings(max_examples=25)
SPECS = {
    "plain": ModelSpec(("year", "tester"), ("feed",)),
    "permanent": ModelSpec(("year", "tester"), ("feed",), permanent_colony=True),
    "random": ModelSpec(("year",), ("feed",), random=("tester",)),
    "groups": ModelSpec(("year",), groups="fixed"),
    "worker": ModelSpec(("year",), effects="worker"),
    "queen": ModelSpec(("year",), permanent_colony=True, effects="queen"),
}
WITH_RANDOM = replace(TWO, random={"tester": np.array([[1.5, 0.2], [0.2, 0.8]])})


def both(data, spec: ModelSpec, parameters: Parameters = WITH_RANDOM):
    pedigree, records = data
    assume(sum(v is not None for r in records for v in r.values.values()) > 8)
    table = build_nodes(pedigree)
    colony = build_colony_model(table, records, spec, parameters.traits)
    covariances = colony.covariances(parameters, spec)
    return table, colony, covariances


@some
@given(pedigrees_with_records(), st.sampled_from(sorted(SPECS)))
def test_absorbed_equals_full(data, which):
    table, colony, covariances = both(data, SPECS[which])
    full = full_equations(table, colony.data).solve(covariances, TWO.R0)
    fit = AbsorbedModel(table, colony.data).solve(covariances, TWO.R0)
    assert fit.relative_residual < 1e-10
    np.testing.assert_allclose(fit.nodes, full.effects(0), atol=1e-9)
    assert fit.loglik == pytest.approx(full.loglik, abs=1e-8)
    assert fit.yPy == pytest.approx(full.yPy, rel=1e-9)
    for trait in range(2):
        np.testing.assert_allclose(fit.fixed(trait), full.fixed(trait), atol=1e-8)
    errors = exact_errors(fit)
    C = np.linalg.inv(full.C.toarray())[: full.model.starts[1], : full.model.starts[1]]
    q = len(covariances[0])
    blocks = C.reshape(table.n_nodes, q, table.n_nodes, q)
    plan = table.layout
    n = plan.n_queens
    for found, left, right in (
        (errors.queen, table.expression[:n], table.expression[:n]),
        (errors.drones, table.expression[plan.set_of], table.expression[plan.set_of]),
        (errors.cross, table.expression[:n], table.expression[plan.set_of]),
    ):
        mated = np.flatnonzero(plan.set_of >= 0)
        L, M = left.toarray()[mated], right.toarray()[mated]
        expected = np.einsum("ia,aebf,ib->ief", L, blocks, M)
        np.testing.assert_allclose(found[errors.cell[mated]], expected, atol=1e-9)
    means = sparse.csr_array(np.random.default_rng(0).normal(size=(3, n)))
    L = (means @ table.expression[:n]).toarray()
    np.testing.assert_allclose(joint_errors(fit, means), np.einsum("ia,aebf,jb->iejf", L, blocks, L), atol=1e-9)
    everything = node_errors(fit, table.expression, errors)
    L = table.expression.toarray()
    set_of_others = np.flatnonzero(plan.kind != 0)
    expected = np.einsum("ia,aebf,ib->ief", L, blocks, L)
    np.testing.assert_allclose(everything[set_of_others], expected[set_of_others], atol=1e-9)


@some
@given(pedigrees_with_records(), st.booleans())
def test_absorbed_equals_dense(data, permanent):
    spec = SPECS["permanent" if permanent else "plain"]
    table, colony, covariances = both(data, spec, TWO)
    u, error, loglik = dense(table, data[1], spec, TWO)
    fit = AbsorbedModel(table, colony.data).solve(covariances, TWO.R0)
    np.testing.assert_allclose(fit.nodes, u, atol=1e-9)
    assert fit.loglik == pytest.approx(loglik, abs=1e-8)
    blocks = error.reshape(table.n_nodes, 4, table.n_nodes, 4)
    errors = exact_errors(fit)
    L = table.expression[: table.layout.n_queens].toarray()
    np.testing.assert_allclose(errors.queen[errors.cell], np.einsum("ia,aebf,ib->ief", L, blocks, L), atol=1e-9)


@some
@given(pedigrees_with_records(), st.sampled_from(sorted(SPECS)))
def test_gradients_information_and_em_equal_those_of_the_full_equations(data, which):
    table, colony, covariances = both(data, SPECS[which])
    matrices = [*covariances, TWO.R0]
    labels = [(m, i, j) for m, K in enumerate(matrices) for i in range(len(K)) for j in range(i + 1)]
    full = ModelLikelihood(full_equations(table, colony.data)).at(matrices)
    model = AbsorbedModel(table, colony.data)
    fit = model.at(matrices)
    expected, found = full.gradients(), fit.gradients()
    for a, b in zip(found, expected, strict=True):
        np.testing.assert_allclose(a, b, atol=1e-8)
    np.testing.assert_allclose(fit.information(labels), full.information(labels), atol=1e-8)
    for a, b in zip(fit.em(found), full.em(expected), strict=True):
        np.testing.assert_allclose(a, b, atol=1e-8)


@some
@given(pedigrees_with_records(), st.sampled_from(sorted(SPECS)))
def test_iterations_reach_what_the_factor_gives(data, which):
    table, colony, covariances = both(data, SPECS[which])
    model = AbsorbedModel(table, colony.data)
    exact = model.solve(covariances, TWO.R0)
    found = model.solve(covariances, TWO.R0, method="iterations")
    assert found.relative_residual < 1e-9
    scale = np.abs(exact.nodes).max()
    np.testing.assert_allclose(found.nodes, exact.nodes, atol=1e-7 * scale)
    again = model.solve(covariances, TWO.R0, method="iterations", start=found.x)
    assert again.iterations <= 1
    rhs = np.eye(model.n_equations)[:, :3]
    np.testing.assert_allclose(found.solve_many(rhs), exact.solve_many(rhs), atol=1e-7)


def several_generations(traits: int):
    """Twelve generations of an array pedigree with records of all colonies, some traits missing."""
    rng = np.random.default_rng(3)
    made = population(1_500, bred=0.2, generations=12, rng=rng)
    table = node_table(made.plan)
    y = rng.normal(20.0, 5.0, (made.plan.n_queens, traits))
    if traits > 1:
        y[rng.random(y.shape) < 0.1] = np.nan
    queens = np.flatnonzero(np.isfinite(y).any(axis=1))
    place = made.place[queens]
    X = sparse.csr_array((np.ones(len(queens)), (np.arange(len(queens)), place)))
    return table, ColonyData(queens, y[queens], X, (np.arange(X.shape[1]),) * traits)


@pytest.mark.parametrize(("traits", "local"), [(1, True), (2, True), (1, False)])
def test_drawn_errors_lie_as_near_the_exact_ones_as_they_say(traits, local, monkeypatch):
    if not local:
        monkeypatch.setattr("breeding.genetics.sampled.LARGEST_LOCAL", 0)
    table, data = several_generations(traits)
    model = AbsorbedModel(table, data)
    G, R = TWO.G0[: 2 * traits, : 2 * traits], TWO.R0[:traits, :traits]
    exact = exact_errors(model.solve([G], R))
    drawn = sampled_errors(model.solve([G], R, method="iterations"), np.random.default_rng(1), samples=64)
    assert drawn.samples == 64
    k = np.zeros(2 * traits)
    k[-2:] = 1.0
    away = (drawn.errors.queen - exact.queen) @ k @ k / float(k @ G @ k)
    weight = np.bincount(model.cell_of)
    rmse = np.sqrt(np.average(away**2, weights=weight))
    assert 0.4 * drawn.rmse < rmse < 1.6 * drawn.rmse
    assert drawn.rmse < (0.04 if local else 0.15)
    assert abs(np.average(away, weights=weight)) < rmse
    scale = np.sqrt(np.mean(exact.queen**2))
    for name in ("queen", "cross", "drones"):
        assert np.sqrt(np.mean((getattr(drawn.errors, name) - getattr(exact, name)) ** 2)) < 0.15 * scale


@pytest.mark.parametrize(("good_enough", "samples"), [(1.0, 16), (0.0, 32)])
def test_draws_go_on_until_they_are_good_enough_or_many(good_enough, samples, monkeypatch):
    monkeypatch.setattr("breeding.genetics.sampled.GOOD_ENOUGH", good_enough)
    monkeypatch.setattr("breeding.genetics.sampled.MOST_SAMPLES", 32)
    table, data = several_generations(1)
    fit = AbsorbedModel(table, data).solve([TWO.G0[:2, :2]], TWO.R0[:1, :1], method="iterations")
    assert sampled_errors(fit, np.random.default_rng(1)).samples == samples


def test_far_fewer_equations_than_nodes():
    table, data = several_generations(1)
    model = AbsorbedModel(table, data)
    full = full_equations(table, data)
    assert full.n_equations > 4 * model.n_equations
    G, R = TWO.G0[:2, :2], TWO.R0[:1, :1]
    found, expected = model.solve([G], R), full.solve([G], R)
    np.testing.assert_allclose(found.nodes, expected.effects(0), atol=1e-9)
    assert found.loglik == pytest.approx(expected.loglik, abs=1e-6)
    n = table.layout.n_queens
    inverse = np.linalg.inv(expected.C.toarray())[: 2 * table.n_nodes, : 2 * table.n_nodes]
    diagonal = np.einsum("iaia->ia", inverse.reshape(table.n_nodes, 2, table.n_nodes, 2))
    errors = exact_errors(found)
    expected_queens = diagonal[table.node_of[:n]]
    np.testing.assert_allclose(np.einsum("iee->ie", errors.queen[errors.cell]), expected_queens, atol=1e-9)
