"""Sparse Cholesky against dense algebra."""

import numpy as np
import pytest
from scipy import sparse

from breeding.genetics.cholesky import Factor, NotPositiveDefiniteError, Plan


def random_system(seed, n_blocks, density):
    rng = np.random.default_rng(seed)
    sizes = rng.integers(1, 4, n_blocks)
    blocks = np.repeat(np.arange(n_blocks), sizes)
    n = len(blocks)
    graph = rng.random((n_blocks, n_blocks)) < density
    graph |= graph.T
    np.fill_diagonal(graph, True)
    full = graph[np.ix_(blocks, blocks)] * rng.normal(size=(n, n))
    C = full + full.T
    C += np.eye(n) * (np.abs(C).sum(1).max() + 1)
    return sparse.csr_array(C), C


@pytest.mark.parametrize(
    ("seed", "n_blocks", "density"),
    [(1, 1, 0.5), (2, 12, 0.1), (3, 60, 0.03), (4, 40, 0.3), (5, 30, 0.0), (6, 70, 0.6)],
)
def test_solution_determinant_and_inverse_elements_equal_dense(seed, n_blocks, density):
    C, dense = random_system(seed, n_blocks, density)
    factor = Factor(Plan(C), C)
    inverse = np.linalg.inv(dense)
    rhs = np.random.default_rng(0).normal(size=(len(dense), 3))
    np.testing.assert_allclose(factor.solve(rhs), inverse @ rhs, atol=1e-12)
    np.testing.assert_allclose(factor.solve(rhs[:, 0]), inverse @ rhs[:, 0], atol=1e-12)
    assert np.isclose(factor.log_det, np.linalg.slogdet(dense)[1])
    Z = factor.inverse_on_pattern()
    coo = Z.tocoo()
    np.testing.assert_allclose(coo.data, inverse[coo.row, coo.col], atol=1e-13)
    assert Z.nnz == C.nnz


def test_draws_have_the_covariance_of_the_inverse():
    C, dense = random_system(7, 6, 0.4)
    factor = Factor(Plan(C), C)
    x = factor.draw(np.random.default_rng(3), 200_000)
    expected = np.linalg.inv(dense)
    scale = np.sqrt(np.outer(np.diag(expected), np.diag(expected)) / 200_000)
    assert (np.abs(np.cov(x) - expected) < 6 * scale).all()


def test_entries_outside_the_planned_pattern_are_refused():
    C, dense = random_system(8, 10, 0.1)
    plan = Plan(C)
    with pytest.raises(KeyError):
        Factor(plan, sparse.csr_array(np.ones_like(dense)))


def test_an_indefinite_matrix_is_refused():
    C, _ = random_system(9, 10, 0.1)
    with pytest.raises(NotPositiveDefiniteError):
        Factor(Plan(C), -1 * C)


def test_two_factors_of_one_plan_do_not_disturb_each_other():
    C, dense = random_system(10, 20, 0.2)
    plan = Plan(C)
    first, second = Factor(plan, C), Factor(plan, 2 * C)
    rhs = np.ones(len(dense))
    np.testing.assert_allclose(first.solve(rhs), 2 * second.solve(rhs), rtol=1e-12)
    inverse = first.inverse_on_pattern()
    np.testing.assert_allclose(inverse.data, 2 * second.inverse_on_pattern().data, rtol=1e-12)
    np.testing.assert_allclose(first.solve(rhs), np.linalg.solve(dense, rhs), rtol=1e-10)
