"""Worked examples of textbooks and of general statistics packages, reproduced with the kernels.

Each block of ``data/genetics_textbook.json`` names its source: Mrode (2014), Linear Models for the
Prediction of Animal Breeding Values, 3rd ed., ISBN 978-1-84593-981-6; dyestuff and sleepstudy as
given by the general package lme4 1.1-31.
"""

import csv
import json
from pathlib import Path

import numpy as np
import pytest
from scipy import sparse
from scipy.stats import chi2

from breeding.genetics import reml
from breeding.genetics.estimates import second_effect_p
from breeding.genetics.mixed_model import MixedModel, Term
from breeding.genetics.tracing import Tracer

DATA = Path(__file__).parent / "data"
BOOK = json.loads((DATA / "genetics_textbook.json").read_text())


def diploid(sire, dam):
    """(P, D, A^-1, ln|A|) of an ordinary pedigree by the same recursion; animals from 1, 0 unknown."""
    n = len(sire)
    P = np.zeros((n, n))
    D = np.zeros(n)
    for i, parents in enumerate(zip(sire, dam, strict=True)):
        D[i] = 1.0
        for p in parents:
            if p:
                tracer = Tracer.of(sparse.csr_array(P[:i, :i]), D[:i], np.arange(i))
                row = sparse.csr_array(([1.0], ([0], [p - 1])), shape=(1, i))
                P[i, p - 1] += 0.5
                D[i] -= 0.25 * tracer.matrix(row)[0, 0]  # 1/2 - F/4 per known parent, 3/4 with one
    step = np.eye(n) - P
    return sparse.csr_array(P), D, sparse.csr_array(step.T @ np.diag(1 / D) @ step), np.log(D).sum()


def incidence(levels, names):
    at = {name: k for k, name in enumerate(names)}
    columns = [at[level] for level in levels]
    shape = (len(levels), len(names))
    return sparse.csr_array((np.ones(len(levels)), (np.arange(len(levels)), columns)), shape=shape)


def animal_model(block, traits):
    _, _, Ai, log_det = diploid(block["sire"], block["dam"])
    Z = incidence(block["animal"], range(1, len(block["sire"]) + 1))
    X = incidence(block["sex"], ["M", "F"])
    y = np.array([block[t] for t in traits], dtype=float).T
    return MixedModel(y, [X] * len(traits), [Term("animal", (Z,), Ai, log_det)])


def test_small_pedigree():
    """Mrode (2014) table 2.1, sections 2.2 to 2.4."""
    block = BOOK["mrode_table_2_1"]
    P, D, Ai, _ = diploid(block["sire"], block["dam"])
    np.testing.assert_allclose(D, block["D"], atol=1e-12)
    A = Tracer.of(P, D, np.arange(len(D))).matrix(sparse.eye_array(len(D), format="csr"))
    np.testing.assert_allclose(A, block["A"], atol=1e-12)
    np.testing.assert_allclose(np.diag(A) - 1, block["F"], atol=1e-12)
    assert A[4, 5] == 0.6875
    np.testing.assert_allclose(Ai.toarray(), block["Ainv"], atol=5e-5)


def test_animal_model():
    """Mrode (2014) example 3.1."""
    block = BOOK["mrode_3_1_animal_model"]
    fit = animal_model(block, ["y"]).solve([[[block["var_a"]]]], [[block["var_e"]]])
    np.testing.assert_allclose(fit.fixed(0), [block["b"]["M"], block["b"]["F"]], atol=5e-5)
    np.testing.assert_allclose(fit.effects(0)[:, 0], block["ebv"], atol=6e-6)
    A = np.linalg.inv(diploid(block["sire"], block["dam"])[2].toarray())
    pev = fit.inverse.diagonal()[:8]
    np.testing.assert_allclose(np.sqrt(pev), block["sep"], atol=6e-4)
    np.testing.assert_allclose(1 - pev / (np.diag(A) * 20), block["reliability"], atol=1e-3)
    np.testing.assert_allclose(1 - pev / (np.diag(A) * 20), block["printed_reliability"], atol=1.6e-3)


def test_two_traits():
    """Mrode (2014) example 5.1."""
    block = BOOK["mrode_5_1_two_traits"]
    fit = animal_model(block, ["y1", "y2"]).solve([block["G0"]], block["R0"])
    np.testing.assert_allclose(fit.fixed(0), [block["b1"]["M"], block["b1"]["F"]], atol=6e-4)
    np.testing.assert_allclose(fit.fixed(1), [block["b2"]["M"], block["b2"]["F"]], atol=6e-4)
    np.testing.assert_allclose(fit.effects(0), np.array([block["ebv1"], block["ebv2"]]).T, atol=6e-4)
    pev = fit.inverse.diagonal()[:16].reshape(8, 2)
    np.testing.assert_allclose(pev, np.array([block["pev1"], block["pev2"]]).T, atol=3e-3)  # printed: rounded
    found = 1 - pev / np.array([20, 40])
    np.testing.assert_allclose(found, np.array([block["rel1"], block["rel2"]]).T, atol=6e-4)


def test_direct_and_maternal_effects_with_a_permanent_one():
    """Mrode (2014) example 7.1, the closest textbook relative of worker and queen effects."""
    block = BOOK["mrode_7_1_maternal"]
    n = len(block["sire"])
    _, _, Ai, log_det = diploid(block["sire"], block["dam"])
    dams = [block["dam"][calf - 1] for calf in block["calf"]]
    herd = incidence(block["herd"], [1, 2, 3])[:, 1:]  # herd 1 = 0
    X = sparse.hstack([incidence(block["pen"], [1, 2]), herd], format="csr")
    genetic = Term("animal", (incidence(block["calf"], range(1, n + 1)), incidence(dams, range(1, n + 1))), Ai, log_det)
    permanent = Term("dam", (incidence(dams, [2, 5, 6, 7]),), sparse.eye_array(4, format="csr"))
    model = MixedModel(np.array(block["y"], dtype=float)[:, None], [X], [genetic, permanent])
    fit = model.solve([block["G0_direct_maternal"], [[block["var_pe_dam"]]]], [[block["var_e"]]])
    b = block["b"]
    np.testing.assert_allclose(fit.fixed(0), [b["pen1"], b["pen2"], b["herd2"], b["herd3"]], atol=6e-4)
    np.testing.assert_allclose(fit.effects(0)[:, 0], block["direct"], atol=6e-4)
    np.testing.assert_allclose(fit.effects(0)[:, 1], block["maternal"], atol=6e-4)
    np.testing.assert_allclose(fit.effects(1)[:, 0], block["pe_dams_2_5_6_7"], atol=6e-4)
    assert block["constraint"] == "herd 1 = 0"


def test_published_estimates_without_their_data_are_kept_and_consistent():
    """Wilson et al. (2010): the data are not to be had; of what is printed, h2 = VA / (VA + VR) can be checked."""
    block = BOOK["gryphon"]["model1"]
    assert block["VA"] / (block["VA"] + block["VR"]) == pytest.approx(block["h2"], abs=5e-8)


def test_genetic_groups():
    """Mrode (2014) example 3.4: group 1 set to 0, values are Qg + a."""
    block, data = BOOK["mrode_3_4_groups"], BOOK["mrode_3_1_animal_model"]
    _, _, Ai, log_det = diploid(data["sire"], data["dam"])
    Z = incidence(data["animal"], range(1, 9))
    Q = np.array(block["Q"])
    X = sparse.hstack([incidence(data["sex"], ["M", "F"]), sparse.csr_array(Z @ Q[:, 1:])], format="csr")
    model = MixedModel(np.array(data["y"])[:, None], [X], [Term("animal", (Z,), Ai, log_det)])
    fit = model.solve([[[20.0]]], [[40.0]])
    male, female, group = fit.fixed(0)
    np.testing.assert_allclose([male, female, group], [block["b"]["M"], block["b"]["F"], block["g"][1]], atol=1e-3)
    np.testing.assert_allclose(Q[:, 1] * group + fit.effects(0)[:, 0], block["ebv"], atol=1e-3)


def test_restricted_likelihood_and_average_information_step_by_step():
    """Mrode (2014) chapter 11: AI iterates, likelihood, inverse information, first EM step."""
    block = BOOK["mrode_reml"]
    model = animal_model(block, ["y"])
    start = ([[[block["start"]["var_a"]]]], [[block["start"]["var_e"]]])
    result = reml.estimate(model, *start, em_rounds=0, tolerance=1e-5)
    assert result.converged
    theta = np.array([r.theta for r in result.history])
    k = len(block["ai_iterates_var_a"])
    np.testing.assert_allclose(theta[:k, 0], block["ai_iterates_var_a"][: len(theta)], atol=6e-5)
    np.testing.assert_allclose(theta[:k, 1], block["ai_iterates_var_e"][: len(theta)], atol=6e-5)
    constant = 0.5 * (5 - 2) * np.log(2 * np.pi)
    logs = [r.loglik + constant for r in result.history]
    np.testing.assert_allclose(logs[:k], block["loglik_without_2pi"][: len(logs)], atol=1e-4)
    assert len(theta) >= 5
    np.testing.assert_allclose(result.sampling[::-1, ::-1], block["AI_inverse"], atol=2e-3)

    first = reml.estimate(model, *start, max_rounds=1)
    assert abs(first.residual[0, 0] - block["first_EM_iterate"]["var_e"]) < 6e-5
    assert abs(first.covariances[0][0, 0] - block["first_EM_iterate"]["var_a"]) < 6e-5
    assert not first.converged
    assert "not converged" in first.note

    slow = reml.estimate(model, *start, em_rounds=1000, max_rounds=1000, tolerance=0.0)
    assert {r.step for r in slow.history} == {"EM"}
    assert abs(slow.residual[0, 0] - block["em_1000"]["var_e"]) < 6e-5
    assert abs(slow.covariances[0][0, 0] - block["em_1000"]["var_a"]) < 6e-5


def test_dyestuff_one_way_layout():
    """Davies & Goldsmith dyestuff data, restricted likelihood."""
    block = BOOK["dyestuff"]
    y = np.array(block["yield_by_batch"], dtype=float).ravel()[:, None]
    Z = incidence(np.repeat(np.arange(6), 5), range(6))
    X = sparse.csr_array(np.ones((30, 1)))
    model = MixedModel(y, [X], [Term("batch", (Z,), sparse.eye_array(6, format="csr"))])
    result = reml.estimate(model, [[[1000.0]]], [[2000.0]])
    assert result.converged
    assert abs(result.covariances[0][0, 0] - block["var_batch"]) < 0.01
    assert abs(result.residual[0, 0] - block["var_residual"]) < 0.01
    assert abs(result.loglik - block["reml_loglik"]) < 5e-5
    fit = model.solve(result.covariances, result.residual)
    assert abs(fit.fixed(0)[0] - block["mean"]) < 1e-6
    np.testing.assert_allclose(fit.effects(0)[:, 0], block["blup"], atol=1e-3)


def sleep_model(block, *, slope=True):
    with (DATA / block["file"]).open() as file:
        rows = list(csv.DictReader(file))
    days = np.array([float(r["Days"]) for r in rows])
    subjects = sorted({r["Subject"] for r in rows})
    Z = incidence([r["Subject"] for r in rows], subjects)
    by_day = sparse.csr_array(sparse.diags_array(days) @ Z)
    X = sparse.csr_array(np.stack([np.ones_like(days), days], axis=1))
    term = Term("subject", (Z, by_day) if slope else (Z,), sparse.eye_array(len(subjects), format="csr"))
    return MixedModel(np.array([[float(r["Reaction"])] for r in rows]), [X], [term])


def test_sleepstudy_correlated_intercept_and_slope():
    """Belenky et al. (2003) sleep data: a 2 x 2 covariance, the algebra of worker and queen effects."""
    block = BOOK["sleepstudy"]
    model = sleep_model(block)
    result = reml.estimate(model, [np.diag([400.0, 40.0])], [[800.0]])
    assert result.converged
    K = result.covariances[0]
    assert abs(K[0, 0] - block["var_intercept"]) < 0.02
    assert abs(K[1, 1] - block["var_slope"]) < 0.002
    assert abs(K[0, 1] / np.sqrt(K[0, 0] * K[1, 1]) - block["correlation"]) < 1e-4
    assert abs(result.residual[0, 0] - block["var_residual"]) < 0.01
    assert abs(result.loglik - block["reml_loglik"]) < 1e-4
    fit = model.solve(result.covariances, result.residual)
    np.testing.assert_allclose(fit.fixed(0), block["fixed"], atol=1e-3)


def test_a_second_correlated_effect_is_tested_as_statsmodels_fits_it():
    """Sleep data with and without the slope: both likelihoods and variances from MixedLM of statsmodels 0.15.0, REML.

    Run once and noted here; statsmodels is no dependency. The ratio 42.84 lies far out; its p value from the two
    chi-square tails of scipy (Stram & Lee 1994, 10.2307/2533455, case 3).
    """
    block = BOOK["sleepstudy"]
    both = reml.estimate(sleep_model(block), [np.diag([400.0, 40.0])], [[800.0]])
    np.testing.assert_allclose(both.covariances[0], [[612.096, 9.6046], [9.6046, 35.0716]], rtol=1e-4)
    assert abs(both.loglik + 871.814136) < 1e-5
    one = reml.estimate(sleep_model(block, slope=False), [[[400.0]]], [[800.0]])
    assert abs(one.covariances[0][0, 0] - 1378.176) < 0.05
    assert abs(one.residual[0, 0] - 960.4568) < 0.01
    assert abs(one.loglik + 893.232543) < 1e-5
    statistic = 2 * (both.loglik - one.loglik)
    assert abs(statistic - 42.836813) < 2e-5
    assert second_effect_p(statistic) == pytest.approx(
        0.5 * chi2.sf(42.836813, 1) + 0.5 * chi2.sf(42.836813, 2), rel=1e-4
    )
