"""What must not change the answers of a genetics file, and what its contributions always keep."""

import copy
import json

import numpy as np
import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st
from scipy.optimize import LinearConstraint, minimize

from breeding.genetics.file_format import answer, read_text
from breeding.genetics.types import InputError
from tests.breeding.genetics.dense import Dense
from tests.breeding.genetics.documents import documents
from tests.breeding.genetics.files import full, worked

few = settings(max_examples=25, suppress_health_check=list(HealthCheck))


def answered(document):
    return answer(read_text(json.dumps(document))).document


def same_values(one, other):
    """The units that both hold have the same numbers."""
    for unit in one["values"]["units"].keys() & other["values"]["units"].keys():
        for key, value in one["values"]["units"][unit].items():
            assert other["values"]["units"][unit][key] == pytest.approx(value, rel=1e-6, abs=1e-6), (unit, key)
    assert other["values"]["loglik"] == pytest.approx(one["values"]["loglik"], rel=1e-8, abs=1e-7)


def test_the_same_file_gives_the_same_answer_to_the_last_digit():
    one, other = (answered(full()) for _ in range(2))
    assert json.dumps(one) == json.dumps(other)


@few
@given(documents(), st.randoms(use_true_random=False))
def test_the_order_of_rows_changes_nothing(document, random):
    document["model"]["groups"] = "none"
    mixed = copy.deepcopy(document)
    for rows in (*(mixed["pedigree"][k] for k in ("queens", "drones", "batches", "groups")), mixed["records"]):
        random.shuffle(rows)
    matings = list(mixed["pedigree"]["matings"].items())
    random.shuffle(matings)
    mixed["pedigree"]["matings"] = dict(matings)
    one, other = answered(document), answered(mixed)
    same_values(one, other)
    assert other["inbreeding"]["queens"] == pytest.approx(one["inbreeding"]["queens"], abs=1e-12)
    assert other["inbreeding"]["workers"] == pytest.approx(one["inbreeding"]["workers"], abs=1e-12)
    assert other["inbreeding"]["known_generations"] == pytest.approx(one["inbreeding"]["known_generations"])


@few
@given(documents())
def test_how_fixed_effects_are_written_changes_no_value(document):
    document["model"] |= {"fixed": ["tester", "apiary_year"], "groups": "none"}
    other = copy.deepcopy(document)
    other["model"]["fixed"] = ["apiary_year", "tester"]
    for record in other["records"]:
        record["fixed"]["apiary_year"] = (
            "z" + str(2000 - len(record["fixed"]["apiary_year"])) + record["fixed"]["apiary_year"][::-1]
        )
        record["covariates"]["feeding"] = 3.0 - 2.0 * record["covariates"]["feeding"]
    one, two = answered(document), answered(other)
    for unit, values in one["values"]["units"].items():
        for key, value in values.items():
            assert two["values"]["units"][unit][key] == pytest.approx(value, rel=1e-6, abs=1e-6)


@few
@given(documents(), st.data())
def test_unrecorded_childless_daughters_change_nothing_and_have_the_value_of_the_worker_group(document, data):
    dam = data.draw(st.sampled_from(Dense(document).mated))
    grown = copy.deepcopy(document)
    grown["pedigree"]["queens"] += [{"id": "new1", "dam": dam}, {"id": "new2", "dam": dam}]
    grown["pedigree"]["matings"]["new2"] = {"type": "open", "n_drones": 9}
    one, other = answered(document), answered(grown)
    if document["model"]["groups"] == "none":
        same_values(one, other)
    units = other["values"]["units"]
    for trait in document["parameters"]["traits"]:
        for key in ("worker", "queen", "sum"):
            assert units["new1"][trait][key] == pytest.approx(units[f"W:{dam}"][trait][key], abs=1e-8)
        # reliability r2_W a_WW / (1 + F) of the daughter
        a_ww = Dense(grown).A[Dense(grown).at[f"W:{dam}"]][Dense(grown).at[f"W:{dam}"]]
        F = other["inbreeding"]["queens"]["new1"]
        expected = units[f"W:{dam}"][trait]["rel_sum"] * a_ww / (1 + F)
        assert units["new1"][trait]["rel_sum"] == pytest.approx(expected, abs=1e-8)


@few
@given(documents(), st.booleans())
def test_contributions_keep_their_limits_and_agree_with_a_general_optimiser(document, capped):
    dense = Dense(document)
    assume(len(dense.y) > len(dense.b))
    document["model"]["groups"] = "none"
    ids = [q["id"] for q in document["pedigree"]["queens"]]
    dams, drones = dense.mated, ids
    weights = document["ask"]["merit"]["weights"]
    units = [*(f"W:{q}" for q in dams), *drones]
    at = [dense.at[u] for u in units]
    A = dense.A[np.ix_(at, at)]
    found = answered({**document, "ask": {"merit": {"weights": weights}}})["values"]["units"]
    c = np.array([found[u]["merit"] for u in units])
    n = len(dams)
    bounds = np.full(len(units), 0.5)
    cap = {}
    if capped and len(drones) > 2:
        cap = {drones[0]: 0.4}
        bounds[n] = 0.2
        if drones[0] in dams:
            bounds[dams.index(drones[0])] = 0.2
    assume(bounds[:n].sum() >= 0.5)
    S = np.array([[1.0] * n + [0.0] * len(drones), [0.0] * n + [1.0] * len(drones)])
    start = np.concatenate([bounds[:n] / bounds[:n].sum(), bounds[n:] / bounds[n:].sum()]) / 2
    least = minimize(  # type: ignore[call-overload] # its stubs know no functions of arrays of any length
        lambda z: 0.5 * z @ A @ z, start, jac=lambda z: A @ z, bounds=[(0, b) for b in bounds],
        constraints=[LinearConstraint(S, 0.5, 0.5)], method="SLSQP", options={"ftol": 1e-14, "maxiter": 500},
    ).fun  # fmt: skip
    thetas = [0.5 * least, 1.02 * least, 1.3 * least, 3.0]
    ask = {"dam_path": dams, "drone_path": drones, "max_coancestry": thetas, "cap": cap}
    got = answered({**document, "ask": {"merit": {"weights": weights}, "contributions": ask}})["contributions"]
    assert got["min_coancestry"] == pytest.approx(least, abs=1e-6)
    assert [s["max_coancestry"] for s in got["solutions"]] == thetas
    assert [s["status"] for s in got["solutions"]] == ["infeasible", "optimal", "optimal", "optimal"]
    assert (got["solutions"][0]["gain"], got["solutions"][0]["dam_path"], got["solutions"][0]["drone_path"]) == (
        None,
        {},
        {},
    )
    gains = [s["gain"] for s in got["solutions"][1:]]
    assert gains == sorted(gains) or np.diff(gains).min() > -1e-7
    for solution in got["solutions"][1:]:
        z = np.array([*solution["dam_path"].values(), *solution["drone_path"].values()]) / 2
        assert list(solution["dam_path"]) == dams
        assert list(solution["drone_path"]) == drones
        assert S @ z == pytest.approx([0.5, 0.5], abs=1e-7)
        assert z.min() >= 0
        assert (z <= bounds + 1e-7).all()
        assert 0.5 * z @ A @ z <= solution["max_coancestry"] * (1 + 1e-6)
        assert solution["gain"] == pytest.approx(z @ c, abs=1e-7)
        theta = solution["max_coancestry"]
        free = minimize(  # type: ignore[call-overload]
            lambda z: -c @ z, z, jac=lambda z: -c, bounds=[(0, b) for b in bounds], method="SLSQP",
            constraints=[
                LinearConstraint(S, 0.5, 0.5),
                {"type": "ineq", "fun": lambda z, t=theta: t - 0.5 * z @ A @ z, "jac": lambda z: -A @ z},
            ],
            options={"ftol": 1e-12, "maxiter": 300},
        )  # fmt: skip
        if free.success and 0.5 * free.x @ A @ free.x <= theta * (1 + 1e-9):
            assert c @ free.x <= solution["gain"] + 1e-5


def test_candidates_that_records_tell_nothing_about_are_alike():
    """Every colony in a year of its own: all values are 0, any shares below the ceiling are the best."""
    dams, drones = ["A", "B", "Q1", "Q2", "R"], ["A", "B", "P1", "P2", "Q2"]
    ask = {"dam_path": dams, "drone_path": drones, "max_coancestry": [0.1, 0.11, 0.14, 0.2, 0.6]}
    document = worked(contributions=ask, values=True)
    for i, record in enumerate(document["records"]):
        record["fixed"]["year"] = str(i)
    found = answer(read_text(json.dumps(document)))
    assert found.converged
    assert max(abs(unit["honey"]["sum"]) for unit in found.document["values"]["units"].values()) < 1e-12
    solutions = found.document["contributions"]["solutions"]
    assert [s["status"] for s in solutions] == ["infeasible", *["optimal"] * 4]
    assert [s["gain"] for s in solutions] == [None, *[0.0] * 4]
    for s in solutions[1:]:
        assert sum(s["dam_path"].values()) == pytest.approx(1)
        assert sum(s["drone_path"].values()) == pytest.approx(1)


def test_caps_that_leave_less_than_a_path_are_refused():
    document = worked(contributions={"dam_path": ["A"], "drone_path": ["B"], "max_coancestry": [1], "cap": {"A": 0.5}})
    with pytest.raises(InputError) as refused:
        answered(document)
    assert str(refused.value) == "ask.contributions.cap: leaves only 0.5 of the dam_path"


def test_alleles_by_number_are_alleles_of_equal_frequency():
    ask = {"matings": ["A", "Q1", "R"], "crosses": [{"queen": "R", "sources": {"P1": 2, "P2": 2}, "n_drones": 4}]}
    by_number = answered(worked(brood_viability={**ask, "alleles": 4}))["brood_viability"]
    named = {"a1": 0.25, "a2": 0.25, "a3": 0.25, "a4": 0.25}
    assert answered(worked(brood_viability={**ask, "alleles": named}))["brood_viability"] == by_number
    scaled = {name: 4 * p for name, p in named.items()}
    assert answered(worked(brood_viability={**ask, "alleles": scaled}))["brood_viability"] == by_number
    default = answered(worked(brood_viability={**ask, "alleles": 4, "replicates": 20_000, "seed": 1}))
    assert default["brood_viability"] == by_number


def test_a_queen_with_records_but_no_mating_is_openly_mated_with_twelve():
    document = worked(values=True, inbreeding=True, relationship=["W:P1", "B:P1"])
    document["records"].append({"queen": "P1", "fixed": {"year": "2"}, "values": {"honey": 33}})
    said = copy.deepcopy(document)
    said["pedigree"]["matings"]["P1"] = {"type": "open", "n_drones": 12}
    one, other = answered(document), answered(said)
    same_values(one, other)
    np.testing.assert_allclose(one["relationship"]["A"], other["relationship"]["A"])
    assert one["relationship"]["A"][1][1] == pytest.approx(1 / 6)


def test_a_trait_without_records_is_predicted_from_the_others_alone():
    document = worked(values=True, variance_components={})
    document["parameters"] = {
        "traits": ["honey", "calm"],
        "G0": [[100, -30, 5, 0], [-30, 60, 0, 3], [5, 0, 1, 0], [0, 3, 0, 1]],
        "R0": [[150, 0], [0, 1]],
    }
    found = answer(read_text(json.dumps(document)))
    alone = answered(worked(values=True))
    for unit, values in found.document["values"]["units"].items():
        assert values["honey"] == pytest.approx(alone["values"]["units"][unit]["honey"])
        assert 0 <= values["calm"]["rel_sum"] < values["honey"]["rel_sum"] + 1e-9
    assert not found.converged
    components = found.document["variance_components"]
    assert components["note"].endswith('"calm" has no more records than fixed effects')
    assert (components["rounds"], components["loglik"], components["se"]) == (0, None, {})
    assert components["G0"] == document["parameters"]["G0"]


def test_records_without_a_value_are_no_records():
    document = worked(crosses=[{"queen": "R", "sources": {"A": 1}}])
    for record in document["records"]:
        record["values"] = {"honey": None}
    assert answered(document)["crosses"] == [{"queen": "R", "sources": {"A": 1.0}, "F_workers": 0.125}]


def test_too_many_units_for_one_matrix_are_refused():
    document = worked(relationship=True)
    document["pedigree"]["queens"] += [{"id": f"n{i}", "dam": None} for i in range(5000)]
    with pytest.raises(InputError) as refused:
        answered(document)
    assert str(refused.value).startswith("ask.relationship: 5013 units are too many for one matrix (at most 5000)")
