"""Public worked example of honey-bee relationships and a two-effect evaluation, number by number.

The example (seven queens, one drone, five records) was worked out for this project in exact rational
arithmetic; ``data/genetics_worked_example.json`` holds its input and every expected figure.
"""

import json
from pathlib import Path

import numpy as np
import pytest

from breeding.genetics.file_format import answer, read_request
from breeding.genetics.nodes import build_nodes

EXAMPLE = json.loads((Path(__file__).parent / "data" / "genetics_worked_example.json").read_text())
EXPECTED = EXAMPLE["expected"]


@pytest.fixture(scope="module")
def request_():
    p = EXAMPLE["parameters"]
    records = [{"queen": r["queen"], "fixed": r["fixed"], "values": {"y": r["y"]}} for r in EXAMPLE["records"]]
    return read_request(
        {
            "format": "genetics/1",
            "pedigree": EXAMPLE["pedigree"],
            "records": records,
            "model": {"fixed": ["year"]},
            "parameters": {"traits": ["y"], "G0": p["G0_worker_queen"], "R0": [[p["residual"]]]},
            "ask": {
                "relationship": EXPECTED["units"],
                "inbreeding": True,
                "values": True,
                "merit": {"weights": {"y": 2.0}},
            },
        }
    )


@pytest.fixture(scope="module")
def result(request_):
    found = answer(request_)
    assert found.converged
    return found.document


def test_relationships(result):
    assert result["relationship"]["units"] == EXPECTED["units"]
    np.testing.assert_allclose(result["relationship"]["A"], EXPECTED["A"], atol=1e-14)


def test_inbreeding(result):
    assert result["inbreeding"]["queens"] == EXPECTED["F_queens"]
    assert result["inbreeding"]["workers"] == EXPECTED["F_workers"]
    assert result["inbreeding"]["known_generations"]["R"] == 1.5


def test_nodes_and_inverse(request_):
    table = build_nodes(request_.pedigree)
    A = np.linalg.inv(table.inverse().toarray())
    at = {name: i for i, name in enumerate(table.names)}
    assert at.keys() == {n["id"] for n in EXPECTED["nodes"]}
    for node in EXPECTED["nodes"]:
        i = at[node["id"]]
        parents = {table.names[j]: float(table.P.toarray()[i, j]) for j in table.P[[i]].indices}
        assert parents == pytest.approx(node["parents"])
        assert table.D[i] == pytest.approx(node["D"], abs=1e-14)
        assert A[i, i] == pytest.approx(node["diag"], abs=1e-12)
    Ai = table.inverse()
    assert Ai.count_nonzero() == 48
    for entry in EXPECTED["Ainv"]:
        assert Ai[at[entry["i"]], at[entry["j"]]] == pytest.approx(entry["v"], abs=1e-11)


@pytest.mark.parametrize("unit", sorted(EXPECTED["ebv"]))
def test_values_and_reliabilities(result, unit):
    found, expected = result["values"]["units"][unit]["y"], EXPECTED["ebv"][unit]
    for ours, theirs in [
        ("worker", "ebv_w"),
        ("queen", "ebv_q"),
        ("sum", "ebv_sum"),
        ("rel_worker", "rel_w"),
        ("rel_queen", "rel_q"),
        ("rel_sum", "rel_sum"),
    ]:
        assert found[ours] == pytest.approx(expected[theirs], abs=6e-7), (unit, ours)


@pytest.mark.parametrize("queen", sorted(EXPECTED["performance"]))
def test_performance(result, queen):
    found, expected = result["values"]["performance"][queen]["y"], EXPECTED["performance"][queen]
    assert found["value"] == pytest.approx(expected["value"], abs=6e-7)
    assert found["rel"] == pytest.approx(expected["rel"], abs=6e-7)


def test_year_effects_and_likelihood(result):
    assert result["values"]["fixed"]["y"] == pytest.approx(EXPECTED["fixed"], abs=1e-10)
    assert result["values"]["loglik"] == pytest.approx(-12.00617, abs=5e-6)


def test_merit_of_one_trait_is_its_sum_in_genetic_standard_deviations(result):
    for unit, values in result["values"]["units"].items():
        assert values["merit"] == pytest.approx(values["y"]["sum"] / 10.0), unit
        assert values["rel_merit"] == pytest.approx(values["y"]["rel_sum"]), unit
