"""Heritabilities and correlations of estimated components with their errors."""

import numpy as np
import pytest

from breeding.genetics import reml
from breeding.genetics.colony_model import build_colony_model
from breeding.genetics.estimates import delta, estimated_heritabilities
from breeding.genetics.records import ModelSpec
from tests.breeding.genetics.test_reml import colonies


@pytest.fixture(scope="module")
def result():
    table, records = colonies(5, years=4, families=18, sisters=8)
    model = build_colony_model(table, records, ModelSpec(("place",)), ["honey"]).model
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
    assert 0 < found.worker.se < 0.5
    assert 0 < found.queen.value < 1
    assert -1 < found.correlation.value < 1
    G, a_ww = result.covariances[0], 0.35
    whole = a_ww * G[0, 0] + G[1, 1] + G[0, 1] + result.residual[0, 0]
    assert found.worker.value == pytest.approx(a_ww * G[0, 0] / whole)
