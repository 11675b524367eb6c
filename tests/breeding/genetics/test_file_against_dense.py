"""Every number of the genetics file against dense algebra over allele-level relationships."""

import json
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, assume, given, settings

from breeding.genetics.file_format import answer, read_text
from tests.breeding.genetics.dense import Dense
from tests.breeding.genetics.documents import documents

few = settings(max_examples=40, suppress_health_check=list(HealthCheck))


def answered(document):
    return answer(read_text(json.dumps(document))).document


@few
@given(documents())
def test_values_reliabilities_merit_performance_effects_and_likelihood(document):
    dense = Dense(document)
    assume(len(dense.y) > len(dense.b))
    found = answered(document)["values"]
    weights = document["ask"]["merit"]["weights"]
    assert set(found["units"]) == set(dense.units)
    scale = max(1.0, np.abs(dense.u).max())
    for unit, got in found["units"].items():
        for k, trait in enumerate(dense.traits):
            for key, effects in (("worker", ["worker"]), ("queen", ["queen"]), ("sum", ["worker", "queen"])):
                value, rel = dense.combination([(unit, k, e, 1.0) for e in effects])
                assert got[trait][key] == pytest.approx(value, abs=2e-7 * scale), (unit, trait, key)
                assert got[trait][f"rel_{key}"] == pytest.approx(rel, abs=2e-7), (unit, trait, key)
        value, rel = dense.merit(unit, weights)
        assert got["merit"] == pytest.approx(value, abs=2e-7 * scale)
        assert got["rel_merit"] == pytest.approx(rel, abs=2e-7)
    assert set(found["performance"]) == set(dense.mated)
    for queen, got in found["performance"].items():
        for k, trait in enumerate(dense.traits):
            value, rel = dense.combination([(f"W:{queen}", k, "worker", 1.0), (queen, k, "queen", 1.0)])
            assert got[trait]["value"] == pytest.approx(value, abs=2e-7 * scale)
            assert got[trait]["rel"] == pytest.approx(rel, abs=2e-7)
    assert found["fixed"].keys() == dense.fixed().keys()
    for trait, effects in dense.fixed().items():
        assert found["fixed"][trait] == pytest.approx(effects, abs=2e-7 * scale)
    assert found["loglik"] == pytest.approx(dense.loglik, abs=1e-7, rel=1e-8)
    if document["model"]["groups"] == "fixed":
        for k, trait in enumerate(dense.traits):
            assert list(found["groups"][trait]) == dense.groups
            for g, name in enumerate(dense.groups):
                expected = {e: dense.b.get((k, (g, e)), 0.0) for e in ("worker", "queen")}
                assert found["groups"][trait][name] == pytest.approx(expected, abs=1e-6 * scale)


@few
@given(documents())
def test_relationships_and_inbreeding(document):
    dense = Dense(document)
    found = answered(document)
    units = found["relationship"]["units"]
    queens = [q["id"] for q in document["pedigree"]["queens"]]
    drones = [f"d:{d['id']}" for d in document["pedigree"]["drones"]]
    assert units == [*queens, *(f"W:{q}" for q in dense.mated), *drones]
    at = [dense.at[u] for u in units]
    np.testing.assert_allclose(found["relationship"]["A"], dense.A[np.ix_(at, at)], atol=1e-12)
    for queen, F in found["inbreeding"]["queens"].items():
        assert abs(F - (dense.A[dense.at[queen], dense.at[queen]] - 1)) < 1e-12
    assert list(found["inbreeding"]["workers"]) == dense.mated
    for queen, F in found["inbreeding"]["workers"].items():
        assert abs(F - dense.A[dense.at[queen], dense.at[f"B:{queen}"]] / 2) < 1e-12


@few
@given(documents())
def test_crosses_are_halves_of_queen_and_sources(document):
    dense = Dense(document)
    assume(len(dense.y) > len(dense.b))
    ids = [q["id"] for q in document["pedigree"]["queens"]]
    asked = [{"queen": ids[-1], "sources": {ids[0]: 3, ids[-1]: 1}}, {"queen": ids[0], "sources": {ids[1]: 0.2}}]
    document["ask"] = {"crosses": asked, "merit": document["ask"]["merit"]}
    for got, cross in zip(answered(document)["crosses"], asked, strict=True):
        whole = sum(cross["sources"].values())
        parts = [(cross["queen"], 0.5), *((s, 0.5 * w / whole) for s, w in cross["sources"].items())]
        F = sum(w / whole * dense.A[dense.at[cross["queen"]], dense.at[s]] for s, w in cross["sources"].items()) / 2
        assert got["queen"] == cross["queen"]
        assert got["sources"] == cross["sources"]
        assert got["F_workers"] == pytest.approx(F, abs=1e-12)
        merit = 0.0
        weights = document["ask"]["merit"]["weights"]
        for k, trait in enumerate(dense.traits):
            mean = {e: dense.combination([(u, k, e, w) for u, w in parts])[0] for e in ("worker", "queen")}
            own = dense.combination([(cross["queen"], k, "queen", 1.0)])[0]
            assert got[trait] == pytest.approx({**mean, "performance": mean["worker"] + own}, abs=1e-5)
            sd = np.sqrt(dense.G0[2 * k : 2 * k + 2, 2 * k : 2 * k + 2].sum())
            merit += weights[trait] / sum(map(abs, weights.values())) * sum(mean.values()) / sd
        assert got["merit"] == pytest.approx(merit, abs=1e-6)


def herd(*, permanent, seed):
    """Three generations inseminated from pools or one source, records drawn from the model itself."""
    rng = np.random.default_rng(seed)
    ids = [f"q{i}" for i in range(64)]
    queens = [
        {"id": id_, "dam": None if i < 8 else ids[rng.integers(max(0, i - 24), i - 7)]} for i, id_ in enumerate(ids)
    ]
    matings = {id_: {"type": "open", "n_drones": 12} for id_ in ids[:8]}
    for i, id_ in enumerate(ids[8:], start=8):
        sources = [ids[k] for k in rng.choice(i, size=1 + i % 2, replace=False)]
        matings[id_] = {"type": "pool", "dpqs": [{"id": s, "weight": 1, "n_drones": 3} for s in sources]}
    records: list[dict[str, Any]] = [
        {"queen": id_, "fixed": {"year": str(2024 + again)}, "values": {"honey": 0.0}}
        for id_ in ids
        for again in range(1 + permanent)
    ]
    document = {
        "format": "genetics/1",
        "pedigree": {"queens": queens, "matings": matings},
        "records": records,
        "model": {"fixed": ["year"], "permanent_colony": permanent},
        "parameters": {
            "traits": ["honey"],
            "G0": [[300.0, -60.0], [-60.0, 120.0]],
            "R0": [[40.0]],
            "permanent": [[40.0]],
        },
        "ask": {"variance_components": {"max_rounds": 300}},
    }
    dense = Dense(document)
    u = rng.multivariate_normal(np.zeros(len(dense.cov_all)), dense.cov_all, method="eigh")
    lasting = dict(zip(ids, rng.normal(0, np.sqrt(40.0 * permanent), len(ids)), strict=True))
    for record in records:
        queen = record["queen"]
        genetic = u[2 * dense.at[f"W:{queen}"]] + u[2 * dense.at[queen] + 1]
        record["values"]["honey"] = float(30 + genetic + lasting[queen] + rng.normal(0, np.sqrt(40.0)))
    return document


@pytest.mark.parametrize(("permanent", "seed"), [(False, 0), (True, 5)])
def test_variance_components_lie_at_the_top_of_the_dense_likelihood(permanent, seed):
    document = herd(permanent=permanent, seed=seed)
    found = answered(document)["variance_components"]
    assert found["converged"]
    assert found["note"] == ""
    assert found.keys() - {"permanent"} == {"G0", "R0", "se", "loglik", "rounds", "converged", "note"}
    assert set(found["se"]) == ({"G0", "R0", "permanent"} if permanent else {"G0", "R0"})
    places = [("G0", 0, 0), ("G0", 0, 1), ("G0", 1, 1), ("R0", 0, 0), *([("permanent", 0, 0)] if permanent else [])]

    def at(moved=None, by=0.0):
        matrices = {name: np.array(found[name]) for name in ("G0", "R0", "permanent") if name in found}
        if moved:
            name, i, j = moved
            matrices[name][i, j] += by
            if i != j:
                matrices[name][j, i] += by
        document["parameters"] |= {name: K.tolist() for name, K in matrices.items()}
        return Dense(document)

    top = at()
    assert found["loglik"] == pytest.approx(top.loglik, abs=1e-8)
    slopes = {}
    for name, i, j in places:
        step = 1e-3 * found["se"][name][i][j]
        up, down = at((name, i, j), step), at((name, i, j), -step)
        assert abs(up.loglik - down.loglik) / 2e-3 < 2e-3  # no slope left, in standard errors
        assert at((name, i, j), 50 * step).loglik < top.loglik
        slopes[name, i, j] = (up.V - down.V) @ top.P @ top.y / (2 * step)
    f = np.stack([slopes[place] for place in places], axis=1)
    errors = np.sqrt(np.diag(np.linalg.inv(0.5 * f.T @ top.P @ f)))  # average information
    assert [found["se"][n][i][j] for n, i, j in places] == pytest.approx(errors, rel=1e-3)


def test_a_residual_that_vanishes_is_said_in_words():
    found = answered(herd(permanent=False, seed=5))["variance_components"]
    assert found["converged"]
    assert found["note"] == "the residual loses its variance: not estimable with these data"
    assert 0 < found["R0"][0][0] < 1e-3 * found["G0"][0][0]
