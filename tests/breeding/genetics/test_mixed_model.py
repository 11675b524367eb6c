"""The sparse solution against the dense form V = Z(G0 x A)Z' + R, all kinds of matings and models."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy import sparse

from breeding.genetics.colony_model import colony_rows
from breeding.genetics.evaluation import evaluate
from breeding.genetics.nodes import build_nodes
from breeding.genetics.pedigree import Mating, OneSource, Open, Pedigree, Queen
from breeding.genetics.prediction import Prediction
from breeding.genetics.records import ModelSpec, Parameters, Record
from breeding.genetics.relationship import relationship_matrix
from breeding.genetics.types import InputError
from tests.breeding.genetics.pedigrees import pedigrees

few = settings(max_examples=25)
G0 = np.array([[5.0, -1.5, 1.0, 0.2], [-1.5, 3.0, 0.1, 0.4], [1.0, 0.1, 2.0, -0.6], [0.2, 0.4, -0.6, 1.5]])
R0 = np.array([[6.0, 1.0], [1.0, 4.0]])
PERMANENT = np.array([[2.0, 0.3], [0.3, 1.0]])
TWO = Parameters(("honey", "calm"), G0, R0, PERMANENT)


@st.composite
def pedigrees_with_records(draw):
    """A pedigree with one or two records per mated queen, some values missing."""
    pedigree = draw(pedigrees())
    rng = np.random.default_rng(draw(st.integers(0, 2**20)))
    records = []
    for id_ in pedigree.matings:
        for _ in range(draw(st.integers(1, 2))):
            missing = draw(st.sampled_from(["", "", "honey", "calm"]))
            values = {t: None if t == missing else float(rng.normal(10, 3)) for t in ("honey", "calm")}
            fixed = {"year": draw(st.sampled_from(["1", "2"])), "tester": draw(st.sampled_from(["x", "y"]))}
            records.append(Record(id_, values, fixed, {"feed": float(rng.normal())}))
    return pedigree, records


def dense(table, records, spec, parameters):
    """Best predictions, error covariances and likelihood of all nodes and traits by dense algebra."""
    n, t = table.n_nodes, len(parameters.traits)
    T = np.linalg.inv(np.eye(n) - table.P.toarray())
    A = T @ np.diag(table.D) @ T.T
    rows = [(r, k) for r in records for k, trait in enumerate(parameters.traits) if r.values[trait] is not None]
    y = np.array([r.values[parameters.traits[k]] for r, k in rows])
    N = len(y)
    Z = np.zeros((N, n * 2 * t))
    for i, (r, k) in enumerate(rows):
        worker = table.units([f"W:{r.queen}"]).toarray()[0]
        queen = table.units([r.queen]).toarray()[0]
        Z[i, 2 * k :: 2 * t] = worker
        Z[i, 2 * k + 1 :: 2 * t] = queen
    G = np.kron(A, parameters.G0)
    R = np.zeros((N, N))
    for i, (r, k) in enumerate(rows):
        for j, (s, m) in enumerate(rows):
            R[i, j] += parameters.R0[k, m] * (r is s)
            if spec.permanent_colony:
                R[i, j] += parameters.permanent[k, m] * (r.queen == s.queen)
    columns: list[np.ndarray] = []
    for k in range(t):
        on = np.array([m == k for _, m in rows], dtype=float)
        for year in ("1", "2"):
            columns.append(on * [r.fixed["year"] == year for r, _ in rows])
        columns.append(on * [r.fixed["tester"] == "y" for r, _ in rows])
        columns.append(on * [r.covariates["feed"] for r, _ in rows])
    X = np.array(columns).T
    keep: list[int] = []
    for j in range(X.shape[1]):
        if np.linalg.matrix_rank(X[:, [*keep, j]], tol=1e-7) > len(keep):
            keep.append(j)
    X = X[:, keep]
    V = Z @ G @ Z.T + R
    Vi = np.linalg.inv(V)
    XVX = X.T @ Vi @ X
    P = Vi - Vi @ X @ np.linalg.solve(XVX, X.T @ Vi)
    C = G @ Z.T
    logs = (N - len(keep)) * np.log(2 * np.pi) + np.linalg.slogdet(V)[1] + np.linalg.slogdet(XVX)[1]
    return (C @ P @ y).reshape(n, 2 * t), G - C @ P @ C.T, -0.5 * (logs + y @ P @ y)


@few
@given(pedigrees_with_records(), st.booleans())
def test_predictions_errors_and_likelihood_equal_dense_algebra(data, permanent):
    pedigree, records = data
    assume(records)
    assume(sum(v is not None for r in records for v in r.values.values()) > 8)
    spec = ModelSpec(("year", "tester"), ("feed",), permanent)
    table = build_nodes(pedigree)
    prediction = Prediction(table, records, spec, TWO)
    u, error, loglik = dense(table, records, spec, TWO)
    np.testing.assert_allclose(prediction.nodes, u, atol=1e-8)
    assert prediction.fit.loglik == pytest.approx(loglik, abs=1e-7)
    n = table.n_nodes
    blocks = error.reshape(n, 4, n, 4)
    for units in (prediction.queens, prediction.workers, prediction.drone_sets):
        found = prediction.of(units)
        L = units.rows.toarray()
        expected = np.einsum("ia,aebf,ib->ief", L, blocks, L)
        np.testing.assert_allclose(found.pev, expected, atol=1e-8)
        prior = np.einsum("ia,ab,ib->i", L, np.linalg.inv(table.inverse().toarray()), L)
        np.testing.assert_allclose(units.a, prior, atol=1e-10)


@few
@given(pedigrees_with_records())
def test_performance_errors_equal_dense_algebra(data):
    pedigree, records = data
    assume(sum(v is not None for r in records for v in r.values.values()) > 8)
    spec = ModelSpec(("year", "tester"), ("feed",))
    table = build_nodes(pedigree)
    p = Prediction(table, records, spec, TWO)
    _, error, _ = dense(table, records, spec, TWO)
    k = p.trait_contrasts(1)[2]
    value, se, rel = p.performance(p.of(p.workers), p.of(p.queens), k)
    workers = p.workers.rows.toarray()
    queens = p.queens.rows[p.mated.queens].toarray()
    K = np.kron(workers, np.array([0, 0, 1, 0])) + np.kron(queens, np.array([0, 0, 0, 1]))
    np.testing.assert_allclose(value, K @ p.nodes.ravel(), atol=1e-9)
    np.testing.assert_allclose(se**2, np.einsum("ij,jk,ik->i", K, error, K), atol=1e-8)
    A = np.linalg.inv(table.inverse().toarray())
    prior = np.einsum("ij,jk,ik->i", K, np.kron(A, G0), K)
    np.testing.assert_allclose(rel, np.clip(1 - se**2 / prior, 0, 1), atol=1e-8)


def small():
    queens = [Queen("A"), Queen("B"), Queen("C", "A"), Queen("D", "A"), Queen("E", "B"), Queen("V", "C")]
    matings: dict[str, Mating] = {
        "A": Open(10),
        "B": Open(10),
        "C": OneSource("B", 8),
        "D": OneSource("E", 5),
        "E": Open(None),
    }
    records = [
        Record(q, {"honey": y}, {"year": year})
        for q, y, year in [("A", 20, "1"), ("B", 25, "1"), ("C", 22, "2"), ("D", 27, "2"), ("E", 19, "2")]
    ]
    return Pedigree(queens, matings), records


ONE = Parameters(("honey",), np.array([[10.0, -3.0], [-3.0, 6.0]]), np.array([[15.0]]))


def totals(pedigree, records, spec=None):
    found = evaluate(pedigree, records, spec or ModelSpec(("year",)), ONE, weights={"honey": 1})
    return {q: found.trait(q, "honey") for q in found.queens}


def test_unrecorded_childless_queens_change_nothing():
    pedigree, records = small()
    before = totals(pedigree, records)
    more = replace(
        pedigree,
        queens=[*pedigree.queens, Queen("N1", "D"), Queen("N2"), Queen("N3", "C")],
        matings={**pedigree.matings, "N2": OneSource("C", 3), "N3": Open(4)},
    )
    after = totals(more, records)
    for queen, values in before.items():
        assert after[queen].total.value == pytest.approx(values.total.value, abs=1e-10)
        assert after[queen].total.error == pytest.approx(values.total.error, abs=1e-10)


def test_an_unrecorded_daughter_has_the_value_of_the_worker_group():
    pedigree, records = small()
    found = totals(pedigree, records)
    assert found["V"].total.value == pytest.approx(found["C"].as_mother.value, abs=1e-12)
    table = build_nodes(pedigree)
    v = table.D[table.node_of[table.layout.index["V"]]]
    s2 = ONE.G0.sum()
    assert found["V"].total.error ** 2 == pytest.approx(found["C"].as_mother.error ** 2 + v * s2)
    a_ww = relationship_matrix(table, ["W:C"])[0, 0]
    expected = found["C"].as_mother.reliability * a_ww / (1 + table.F[5])
    assert found["V"].total.reliability == pytest.approx(expected)


def test_values_do_not_depend_on_how_fixed_effects_are_written():
    pedigree, records = small()
    once = totals(pedigree, records)
    doubled = [replace(r, fixed={**r.fixed, "again": r.fixed["year"]}) for r in records]
    for spec in (ModelSpec(("year", "again")), ModelSpec(("again",))):
        for queen, values in totals(pedigree, doubled, spec).items():
            assert values.total.value == pytest.approx(once[queen].total.value, abs=1e-10)


def test_a_constant_added_to_all_records_changes_no_value():
    pedigree, records = small()
    once = totals(pedigree, records)
    shifted = [replace(r, values={"honey": r.values["honey"] + 100}) for r in records]
    for queen, values in totals(pedigree, shifted).items():
        assert values.total.value == pytest.approx(once[queen].total.value, abs=1e-9)


def test_a_random_factor_shrinks_between_nothing_and_a_fixed_factor():
    pedigree, records = small()
    fixed = totals(pedigree, records)["C"].total.value
    plain = totals(pedigree, records, ModelSpec())["C"].total.value

    def with_variance(v):
        parameters = replace(ONE, random={"year": np.array([[v]])})
        spec = ModelSpec(random=("year",))
        return evaluate(pedigree, records, spec, parameters, weights={"honey": 1}).trait("C", "honey").total.value

    assert with_variance(1e-9) == pytest.approx(plain, abs=1e-6)
    assert with_variance(1e9) == pytest.approx(fixed, abs=1e-6)


def test_groups_shift_whole_origins():
    """Two unrelated origins that differ by a constant: values differ by it, deviations stay small."""
    queens: list[Queen] = []
    matings: dict[str, Mating] = {}
    records: list[Record] = []
    for group, level in (("north", 0.0), ("south", 40.0)):
        for i in range(12):
            id_ = f"{group}{i}"
            queens.append(Queen(id_, None, group))
            matings[id_] = Open(10, group)
            records.append(Record(id_, {"honey": level + (i % 3)}, {"year": "1"}))
    pedigree = Pedigree(queens, matings)
    found = evaluate(pedigree, records, ModelSpec(("year",), groups="fixed"), ONE, weights={"honey": 1})
    by_colony = {q: found.performance.value[found.row[q], 0] for q in found.queens}
    north = np.mean([by_colony[f"north{i}"] for i in range(12)])
    south = np.mean([by_colony[f"south{i}"] for i in range(12)])
    assert south - north == pytest.approx(40.0, abs=1e-6)
    without = evaluate(pedigree, records, ModelSpec(("year",)), ONE, weights={"honey": 1})
    shrunk = without.performance.value[:, 0]
    pulled = shrunk[without.row["south0"]] - shrunk[without.row["north0"]]
    assert 0 < pulled < 40


@pytest.mark.parametrize(
    ("change", "path"),
    [
        (lambda r: [replace(r[0], queen="nobody"), *r[1:]], "records[0].queen"),
        (lambda r: [r[0], replace(r[1], values={"wax": 1.0}), *r[2:]], "records[1].values.wax"),
        (lambda r: [*r[:4], replace(r[4], fixed={})], "records[4].fixed.year"),
        (lambda r: [replace(x, values={"honey": None}) for x in r], "records"),
        (lambda r: [replace(r[0], values={"honey": float("nan")}), *r[1:]], "records[0].values.honey"),
    ],
)
def test_records_that_cannot_be_used_are_refused_with_their_path(change, path):
    pedigree, records = small()
    with pytest.raises(InputError) as refused:
        totals(pedigree, change(records))
    assert refused.value.path == path


@pytest.mark.parametrize(
    ("parameters", "path"),
    [
        (replace(ONE, G0=np.array([[1.0, 2.0], [2.0, 1.0]])), "parameters.G0"),
        (replace(ONE, R0=np.array([[0.0]])), "parameters.R0"),
        (replace(ONE, R0=np.eye(2)), "parameters.R0"),
        (replace(ONE, G0=np.array([[1.0, 0.1], [0.2, 1.0]])), "parameters.G0"),
    ],
)
def test_impossible_covariances_are_refused(parameters, path):
    pedigree, records = small()
    with pytest.raises(InputError) as refused:
        evaluate(pedigree, records, ModelSpec(("year",)), parameters, weights={"honey": 1})
    assert refused.value.path == path


def test_a_missing_permanent_or_random_covariance_is_refused():
    pedigree, records = small()
    for spec, path in [
        (ModelSpec(("year",), permanent_colony=True), "parameters.permanent"),
        (ModelSpec(("year",), random=("place",)), "parameters.random.place"),
    ]:
        with pytest.raises(InputError) as refused:
            evaluate(pedigree, records, spec, ONE, weights={"honey": 1})
        assert refused.value.path == path


def test_sparse_rows_of_the_design_are_halves_of_queen_and_drone_set():
    pedigree, records = small()
    table = build_nodes(pedigree)
    worker, _ = colony_rows(table, np.array([table.layout.index[r.queen] for r in records]))
    assert isinstance(worker, sparse.csr_array)
    np.testing.assert_allclose(worker.sum(axis=1)[:4], 1.0)
    assert worker.sum(axis=1)[4] == 0.5  # very many unrelated drones carry no node
