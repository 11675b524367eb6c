"""The genetics file: what it accepts, what it refuses with which path, what it answers."""

import copy
import json

import numpy as np
import pytest

from breeding.genetics.file_format import answer, read_request, read_text
from breeding.genetics.types import InputError
from tests.breeding.genetics.files import worked


def refusal(document):
    with pytest.raises(InputError) as refused:
        answer(read_request(document))
    return str(refused.value)


def changed(change, **ask):
    document = worked(**ask)
    change(document)
    return document


def p(document):
    return document["pedigree"]


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (lambda d: d.update(format="genetics/2"), 'format: must be "genetics/1"'),
        (lambda d: d.pop("format"), "format: is missing"),
        (lambda d: d.pop("ask"), "ask: is missing"),
        (lambda d: d.update(extra=1), 'extra: unknown key "extra"'),
        (lambda d: d["ask"].update(plots=True), 'ask.plots: unknown key "plots"'),
        (lambda d: p(d)["queens"][2].update(mother="A"), 'pedigree.queens[2].mother: unknown key "mother"'),
        (lambda d: p(d)["queens"][3].update(dam="Z"), 'pedigree.queens[3].dam: unknown queen "Z"'),
        (lambda d: p(d)["queens"].append({"id": "A", "dam": None}), 'pedigree.queens[7].id: queen "A" stands twice'),
        (lambda d: p(d)["queens"][1].update(id=7), "pedigree.queens[1].id: must be text"),
        (lambda d: p(d)["queens"][1].update(id="W:A"), 'pedigree.queens[1].id: "W:A" reads like a unit'),
        (lambda d: p(d)["drones"][0].update(dam="Z"), 'pedigree.drones[0].dam: unknown queen "Z"'),
        (lambda d: p(d)["matings"].update(Z={"type": "open", "n_drones": 3}), "pedigree.matings.Z: unknown queen"),
        (
            lambda d: p(d)["matings"]["Q1"]["dpqs"][1].update(id="P9"),
            'pedigree.matings.Q1.dpqs[1].id: unknown queen "P9"',
        ),
        (
            lambda d: p(d)["matings"]["Q1"]["dpqs"][0].update(weight=0),
            "pedigree.matings.Q1.dpqs[0].weight: must be above 0",
        ),
        (
            lambda d: p(d)["matings"]["Q1"]["dpqs"][0].update(weight="3"),
            "pedigree.matings.Q1.dpqs[0].weight: must be a number, not text",
        ),
        (
            lambda d: p(d)["matings"]["Q1"]["dpqs"][0].pop("n_drones"),
            "pedigree.matings.Q1.dpqs[0].n_drones: is missing",
        ),
        (lambda d: p(d)["matings"]["Q1"].update(dpqs=[]), "pedigree.matings.Q1.dpqs: needs at least one"),
        (lambda d: p(d)["matings"]["Q2"].update(drone="x"), 'pedigree.matings.Q2.drone: unknown drone "x"'),
        (lambda d: p(d)["matings"]["R"].update(n_drones=0), "pedigree.matings.R.n_drones: must be at least 1"),
        (lambda d: p(d)["matings"]["R"].update(n_drones=2.5), "pedigree.matings.R.n_drones: must be a whole number"),
        (lambda d: p(d)["matings"]["R"].update(n_drones=True), "pedigree.matings.R.n_drones: must be a number"),
        (lambda d: p(d)["matings"]["R"].update(dpq="Z"), 'pedigree.matings.R.dpq: unknown queen "Z"'),
        (lambda d: p(d)["matings"]["R"].update(type="ai"), 'pedigree.matings.R.type: unknown value "ai"'),
        (lambda d: p(d)["matings"]["R"].pop("type"), "pedigree.matings.R.type: is missing"),
        (lambda d: p(d)["matings"]["A"].update(dpq="B"), 'pedigree.matings.A.dpq: unknown key "dpq"'),
        (
            lambda d: p(d)["matings"].update(A={"type": "batch", "batch": "s"}),
            'pedigree.matings.A.batch: unknown batch "s"',
        ),
        (
            lambda d: p(d)["matings"].update(A={"type": "station", "group": "st", "n_drones": 12}),
            'pedigree.matings.A.group: unknown group "st"',
        ),
        (
            lambda d: p(d)["groups"].append({"id": "st", "dam": "Z", "n_dpq": 8}),
            'pedigree.groups[0].dam: unknown queen "Z"',
        ),
        (
            lambda d: p(d)["groups"].append({"id": "st", "dam": None, "n_dpq": 0}),
            "pedigree.groups[0].n_dpq: must be at least 1",
        ),
        (
            lambda d: p(d)["batches"].append({"id": "s", "dpqs": [{"id": "Z", "weight": 1, "n_drones": 1}]}),
            'pedigree.batches[0].dpqs[0].id: unknown queen "Z"',
        ),
        (lambda d: p(d)["queens"][1].update(dam="R"), "pedigree.queens[0].dam: loop in time: R ← Q1 ← A ← R"),
        (lambda d: p(d)["queens"][1].update(dam="A"), "pedigree.queens[1].dam: loop in time: A ← A"),
        (
            lambda d: p(d)["matings"].update(A={"type": "dpq", "dpq": "R", "n_drones": 3}),
            "pedigree.queens[0].dam: loop in time: R ← ",
        ),
        (lambda d: d["records"][1].update(queen="Z"), 'records[1].queen: unknown queen "Z"'),
        (lambda d: d["records"][1]["values"].update(wax=1), 'records[1].values.wax: unknown trait "wax"'),
        (lambda d: d["records"][1]["values"].update(honey="1"), "records[1].values.honey: must be a number"),
        (lambda d: d["records"][1].update(fixed={}), "records[1].fixed.year: is missing"),
        (lambda d: d["records"][1].update(year="1"), 'records[1].year: unknown key "year"'),
        (lambda d: d["model"].update(covariates=["feed"]), "records[0].covariates.feed: is missing"),
        (lambda d: d["model"].update(random=["year"]), 'model.random: unknown key "random"'),
        (lambda d: d["model"].update(groups="random"), 'model.groups: unknown value "random"'),
        (lambda d: d["model"].update(permanent_colony=True), "parameters.permanent: is missing"),
        (lambda d: d["model"].update(permanent_colony="yes"), "model.permanent_colony: must be true or false"),
        (lambda d: d["parameters"].update(G0=[[1]]), "parameters.G0: must have 2 rows, not 1"),
        (lambda d: d["parameters"].update(G0=[[1, 2], [2]]), "parameters.G0[1]: must have 2 numbers, not 1"),
        (lambda d: d["parameters"].update(G0=[[1, 2], [2, 1]]), "parameters.G0: must be positive definite"),
        (lambda d: d["parameters"].update(G0=[[4, 2], [1, 4]]), "parameters.G0: must be symmetric"),
        (lambda d: d["parameters"].update(R0=[[0]]), "parameters.R0: must be positive definite"),
        (lambda d: d["parameters"].update(traits=[]), "parameters.traits: needs at least one trait"),
        (lambda d: d["parameters"].update(traits=["a", "a"]), 'parameters.traits[1]: "a" stands twice'),
        (lambda d: d["parameters"].update(traits=["merit"]), 'parameters.traits[0]: "merit" cannot be'),
        (lambda d: d.update(records=[]), "records: no record holds a value"),
        (lambda d: d.pop("parameters"), "parameters: is missing; ask.values needs it"),
        (lambda d: d.pop("records"), "records: is missing; ask.values needs it"),
        (lambda d: d.pop("model"), "model: is missing; ask.values needs it"),
    ],
)
def test_what_does_not_fit_is_refused_with_its_path(change, said):
    assert refusal(changed(change, values=True)).startswith(said)


@pytest.mark.parametrize(
    ("ask", "said"),
    [
        ({"relationship": ["A", "W:P1"]}, 'ask.relationship[1]: queen "P1" has no mating'),
        ({"relationship": ["A", "B:P1"]}, 'ask.relationship[1]: queen "P1" has no mating'),
        ({"relationship": ["Z"]}, 'ask.relationship[0]: unknown unit "Z"'),
        ({"relationship": ["d:z"]}, 'ask.relationship[0]: unknown unit "d:z"'),
        ({"relationship": ["S:z"]}, 'ask.relationship[0]: unknown unit "S:z"'),
        ({"relationship": "A"}, "ask.relationship: must be a list, not text"),
        ({"inbreeding": 1}, "ask.inbreeding: must be true or false"),
        ({"merit": {"weights": {"wax": 1}}}, 'ask.merit.weights.wax: unknown trait "wax"'),
        ({"merit": {"weights": {"honey": 0}}}, "ask.merit.weights: needs at least one weight"),
        ({"merit": {}}, "ask.merit.weights: is missing"),
        ({"variance_components": {"rounds": 3}}, 'ask.variance_components.rounds: unknown key "rounds"'),
        ({"variance_components": {"max_rounds": 0}}, "ask.variance_components.max_rounds: must be at least 1"),
        (
            {"variance_components": {"start": {"G0": [[1, 3], [3, 1]]}}},
            "ask.variance_components.start.G0: must be positive definite",
        ),
        ({"brood_viability": {"matings": ["R"]}}, "ask.brood_viability.alleles: is missing"),
        ({"brood_viability": {"alleles": 1, "matings": ["R"]}}, "ask.brood_viability.alleles: must be at least 2"),
        ({"brood_viability": {"alleles": {"a1": -1, "a2": 1}}}, "ask.brood_viability.alleles.a1: must be above 0"),
        ({"brood_viability": {"alleles": 9, "matings": ["P1"]}}, 'ask.brood_viability.matings[0]: queen "P1" has no'),
        ({"brood_viability": {"alleles": 9, "matings": ["Z"]}}, 'ask.brood_viability.matings[0]: unknown queen "Z"'),
        (
            {"brood_viability": {"alleles": 9, "genotypes": {"R": ["a1", "a10"]}}},
            'ask.brood_viability.genotypes.R[1]: unknown allele "a10"',
        ),
        (
            {"brood_viability": {"alleles": 9, "genotypes": {"R": ["a1", "a1"]}}},
            "ask.brood_viability.genotypes.R: a queen with two equal",
        ),
        (
            {"brood_viability": {"alleles": 9, "genotypes": {"R": ["a1"]}}},
            "ask.brood_viability.genotypes.R: needs 2 allele",
        ),
        (
            {"brood_viability": {"alleles": 9, "crosses": [{"queen": "R", "sources": {}, "n_drones": 4}]}},
            "ask.brood_viability.crosses[0].sources: needs at least one",
        ),
        (
            {"brood_viability": {"alleles": 9, "crosses": [{"queen": "R", "sources": {"A": 1}, "n_drones": 0}]}},
            "ask.brood_viability.crosses[0].n_drones: must be at least 1",
        ),
        ({"crosses": [{"queen": "Z", "sources": {"A": 1}}]}, 'ask.crosses[0].queen: unknown queen "Z"'),
        ({"crosses": [{"queen": "R", "sources": {"Z": 1}}]}, 'ask.crosses[0].sources.Z: unknown queen "Z"'),
        ({"crosses": [{"queen": "R", "sources": {"A": 0}}]}, "ask.crosses[0].sources.A: must be above 0"),
        (
            {"contributions": {"dam_path": ["P1"], "drone_path": ["A"], "max_coancestry": [0.5]}},
            'ask.contributions.dam_path[0]: queen "P1" has no mating',
        ),
        (
            {"contributions": {"dam_path": ["A"], "drone_path": ["Z"], "max_coancestry": [0.5]}},
            'ask.contributions.drone_path[0]: unknown queen "Z"',
        ),
        (
            {"contributions": {"dam_path": [], "drone_path": ["A"], "max_coancestry": [0.5]}},
            "ask.contributions.dam_path: needs at least one",
        ),
        (
            {"contributions": {"dam_path": ["A"], "drone_path": ["A"], "max_coancestry": [0.5], "cap": {"B": 1}}},
            'ask.contributions.cap.B: "B" is no candidate',
        ),
        (
            {"contributions": {"dam_path": ["A"], "drone_path": ["B"], "max_coancestry": [0.5], "cap": {"B": 0.5}}},
            "ask.contributions.cap: leaves only 0.5 of the drone_path",
        ),
    ],
)
def test_what_is_asked_wrongly_is_refused_with_its_path(ask, said):
    assert refusal(worked(**ask)).startswith(said)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("{", "line 1 column 2: not JSON"),
        ("[]", "file: must be an object, not a list"),
        ('{"format": "genetics/1", "format": "genetics/1"}', "format: stands twice"),
        ("9" * 5000, "file: not JSON"),
        ('{"format": "genetics/1"', "line 1 column 24: not JSON"),
        ("[" * 100_000, "file: nested too deeply"),
    ],
)
def test_what_is_no_document_is_refused(text, said):
    with pytest.raises(InputError) as refused:
        read_text(text)
    assert str(refused.value).startswith(said)


def test_only_what_was_asked_is_answered():
    assert set(answer(read_request(worked())).document) == {"format", "solver"}
    found = answer(read_request(worked(inbreeding=True, values=False, relationship=False))).document
    assert set(found) == {"format", "inbreeding", "solver"}
    assert found["format"] == "genetics-result/1"
    assert found["solver"]["method"] == "none"


def test_pedigree_questions_need_no_records():
    document = worked(relationship=True, inbreeding=True, crosses=[{"queen": "R", "sources": {"A": 2}}])
    for key in ("records", "model", "parameters"):
        del document[key]
    found = answer(read_request(document)).document
    units = found["relationship"]["units"]
    assert units == ["R", "A", "B", "P1", "P2", "Q1", "Q2", "W:R", "W:A", "W:B", "W:Q1", "W:Q2", "d:k"]
    assert np.array(found["relationship"]["A"]).shape == (13, 13)
    assert found["crosses"] == [{"queen": "R", "sources": {"A": 2}, "F_workers": 0.125}]


def test_crosses_have_the_values_of_an_equal_mating():
    """Half of the queen, half of the sources; the recorded mating R x A has the same worker group."""
    asked = worked(values=True, merit={"weights": {"honey": 1}}, crosses=[{"queen": "R", "sources": {"A": 1}}])
    found = answer(read_request(asked)).document
    units, cross = found["values"]["units"], found["crosses"][0]
    for effect in ("worker", "queen"):
        mean = 0.5 * units["R"]["honey"][effect] + 0.5 * units["A"]["honey"][effect]
        assert cross["honey"][effect] == pytest.approx(mean)
    assert cross["honey"]["performance"] == pytest.approx(cross["honey"]["worker"] + units["R"]["honey"]["queen"])
    assert cross["merit"] == pytest.approx((cross["honey"]["worker"] + cross["honey"]["queen"]) / 10)
    assert cross["F_workers"] == 0.125


def test_two_traits_a_covariate_a_permanent_effect_and_groups():
    document = worked(values=True, merit={"weights": {"honey": 0.6, "calm": -0.2}})
    document["pedigree"]["queens"][1]["group"] = "north"
    document["pedigree"]["queens"][2]["group"] = "south"
    document["pedigree"]["matings"]["A"]["group"] = "north"
    document["pedigree"]["matings"]["B"]["group"] = "south"
    document["records"] += copy.deepcopy(document["records"])
    for i, record in enumerate(document["records"]):
        record["values"]["calm"] = None if i == 3 else 3.0 + 0.1 * i
        record["covariates"] = {"feed": float(i % 3)}
    document["model"] |= {"covariates": ["feed"], "permanent_colony": True, "groups": "fixed"}
    G0 = np.diag([100.0, 60.0, 1.0, 0.5])
    G0[0, 1] = G0[1, 0] = -30
    document["parameters"] = {
        "traits": ["honey", "calm"],
        "G0": G0.tolist(),
        "R0": [[150, 1], [1, 1]],
        "permanent": [[20, 0], [0, 0.2]],
    }
    found = answer(read_request(document)).document
    json.dumps(found, allow_nan=False)
    values = found["values"]
    assert set(values["units"]["R"]) == {"honey", "calm", "merit", "rel_merit"}
    assert set(values["fixed"]["honey"]) == {"year=1", "year=2", "feed"}
    assert set(values["groups"]["honey"]) == {"north", "south"}
    assert values["groups"]["calm"]["north"] == {"worker": 0.0, "queen": 0.0}
    sd = {"honey": 10.0, "calm": np.sqrt(1.5)}
    expected = 0.75 * values["units"]["R"]["honey"]["sum"] / sd["honey"]
    expected -= 0.25 * values["units"]["R"]["calm"]["sum"] / sd["calm"]
    assert values["units"]["R"]["merit"] == pytest.approx(expected)


def test_merit_alone_answers_merit_alone():
    found = answer(read_request(worked(merit={"weights": {"honey": 1}}))).document
    assert set(found["values"]) == {"units"}
    assert set(found["values"]["units"]["d:k"]) == {"merit", "rel_merit"}


def test_components_that_do_not_converge_say_so():
    found = answer(read_request(worked(variance_components={"max_rounds": 2})))
    assert not found.converged
    part = found.document["variance_components"]
    assert part["converged"] is False
    assert part["note"]
    assert np.shape(part["G0"]) == np.shape(part["se"]["G0"]) == (2, 2)


def test_contributions_over_several_traits_need_merit():
    document = worked(contributions={"dam_path": ["A"], "drone_path": ["B"], "max_coancestry": 0.5})
    assert answer(read_request(document)).document["contributions"]["solutions"][0]["status"] == "optimal"
    document["parameters"] = {"traits": ["honey", "calm"], "G0": np.eye(4).tolist(), "R0": np.eye(2).tolist()}
    assert refusal(document).startswith("ask.merit: is missing")


def test_viability_is_the_same_for_the_same_seed():
    ask = {
        "alleles": 10,
        "matings": ["R"],
        "crosses": [{"queen": "R", "sources": {"P1": 1, "P2": 1}, "n_drones": 5}],
        "genotypes": {"P1": ["a3", "a7"]},
        "replicates": 500,
        "seed": 4,
    }
    first, second = (answer(read_request(worked(brood_viability=ask))).document["brood_viability"] for _ in range(2))
    assert first == second
    assert first["genotypes"] == {"P1": ["a3", "a7"]}
    assert set(first["matings"]["R"]) == {"expected", "se", "low5", "high95", "inbreeding_only"}
    assert first["crosses"][0]["n_drones"] == 5
    other = answer(read_request(worked(brood_viability={**ask, "seed": 5}))).document["brood_viability"]
    assert other["matings"]["R"]["expected"] != first["matings"]["R"]["expected"]
