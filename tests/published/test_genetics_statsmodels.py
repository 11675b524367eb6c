"""Restricted likelihood against the general library statsmodels (MixedLM), which shares no code with the kernels.

Data: dyestuff, Davies & Goldsmith (1972), Statistical Methods in Research and Production; sleepstudy, Belenky
et al. (2003), 10.1046/j.1365-2869.2003.00337.x. statsmodels stops less sharply than the kernels: its components
agree to some 1e-4 of their size, its likelihood to 1e-6.
"""

import csv
import json
from pathlib import Path

import numpy as np
import pytest
from scipy import sparse
from statsmodels.regression.mixed_linear_model import MixedLM

from breeding.genetics import reml
from breeding.genetics.mixed_model import MixedModel, Term
from tests.published.test_genetics_textbook import incidence

DATA = Path(__file__).parent / "data"
# statsmodels searches better on numbers of size 1: y is divided by this, results multiplied back.
UNIT = 50.0


def test_one_way_layout():
    block = json.loads((DATA / "genetics_textbook.json").read_text())["dyestuff"]
    y = np.array(block["yield_by_batch"], dtype=float).ravel()
    batches = np.repeat(np.arange(6), 5)
    theirs = MixedLM((y - 1500) / UNIT, np.ones((30, 1)), batches).fit(reml=True, method=["powell"])
    Z = incidence(batches, range(6))
    X = sparse.csr_array(np.ones((30, 1)))
    model = MixedModel(y[:, None], [X], [Term("batch", (Z,), sparse.eye_array(6, format="csr"))])
    ours = reml.estimate(model, [[[1000.0]]], [[2000.0]])
    assert ours.converged
    assert ours.covariances[0][0, 0] == pytest.approx(UNIT**2 * theirs.cov_re.item(), rel=1e-5)
    assert ours.residual[0, 0] == pytest.approx(UNIT**2 * theirs.scale, rel=1e-5)
    assert ours.loglik == pytest.approx(theirs.llf - 29 * np.log(UNIT), abs=1e-6)
    fit = model.solve(ours.covariances, ours.residual)
    assert fit.fixed(0)[0] == pytest.approx(1500 + UNIT * theirs.fe_params[0], rel=1e-9)
    deviations = [UNIT * theirs.random_effects[k].item() for k in range(6)]
    assert fit.effects(0)[:, 0] == pytest.approx(deviations, abs=1e-3)


def test_correlated_intercept_and_slope():
    """The algebra of a worker and a queen effect: a 2 x 2 covariance."""
    with (DATA / "genetics_sleepstudy.csv").open() as file:
        rows = list(csv.DictReader(file))
    days = np.array([float(r["Days"]) for r in rows])
    y = np.array([float(r["Reaction"]) for r in rows])
    subjects = np.array([r["Subject"] for r in rows])
    X = np.column_stack([np.ones_like(days), days])
    theirs = MixedLM(y / UNIT, X, subjects, exog_re=X).fit(reml=True, method=["lbfgs"])
    names = sorted(set(subjects.tolist()))
    Z = incidence(subjects.tolist(), names)
    slope = sparse.csr_array(sparse.diags_array(days) @ Z)
    term = Term("subject", (Z, slope), sparse.eye_array(len(names), format="csr"))
    model = MixedModel(y[:, None], [sparse.csr_array(X)], [term])
    ours = reml.estimate(model, [np.diag([400.0, 40.0])], [[800.0]])
    assert ours.converged
    np.testing.assert_allclose(ours.covariances[0], UNIT**2 * np.asarray(theirs.cov_re), rtol=3e-4)
    assert ours.residual[0, 0] == pytest.approx(UNIT**2 * theirs.scale, rel=1e-5)
    assert ours.loglik == pytest.approx(theirs.llf - 178 * np.log(UNIT), abs=1e-6)
    fit = model.solve(ours.covariances, ours.residual)
    np.testing.assert_allclose(fit.fixed(0), UNIT * theirs.fe_params, rtol=1e-6)
    effects = np.array([np.asarray(theirs.random_effects[name]) for name in names]) * UNIT
    np.testing.assert_allclose(fit.effects(0), effects, atol=2e-2)
