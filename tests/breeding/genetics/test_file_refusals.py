"""What a genetics file refuses, place by place: every key, every number, every name, in every section."""

import contextlib
import copy
import json
import math

import pytest

from breeding.genetics.file_format import answer, read_request, read_text
from breeding.genetics.types import InputError
from tests.breeding.genetics.files import full, worked

# Objects whose keys are names of the file's own: queens, traits, factors, alleles.
NAMED = {
    "pedigree.matings", "fixed", "covariates", "values", "ask.merit.weights", "ask.brood_viability.alleles",
    "ask.brood_viability.genotypes", "sources", "ask.contributions.cap",
}  # fmt: skip
MAY_BE_NULL = {"dam", "group", "n_drones", "honey", "calm"}
OPTIONAL = {
    "records", "model", "parameters", "drones", "batches", "groups", "matings", "group", "dam", "fixed", "covariates",
    "permanent_colony", "relationship", "inbreeding", "values", "merit", "variance_components", "brood_viability",
    "crosses", "contributions", "start", "max_rounds", "G0", "R0", "permanent", "genotypes", "replicates", "seed",
    "cap",
}  # fmt: skip
# A planned cross without a number of drones has very many.
VERY_MANY_UNLESS_SAID = ("ask", "brood_viability", "crosses", 0, "n_drones")


def places(value, path=()):
    """Every place of a document, as the keys that lead there."""
    yield path
    if isinstance(value, dict):
        for key, inner in value.items():
            yield from places(inner, (*path, key))
    elif isinstance(value, list):
        for i, inner in enumerate(value):
            yield from places(inner, (*path, i))


def written(path):
    text = ""
    for key in path:
        text += f"[{key}]" if isinstance(key, int) else f".{key}" if text else key
    return text


def at(document, path):
    for key in path:
        document = document[key]
    return document


def named(path):
    return written(path) in NAMED or (bool(path) and path[-1] in NAMED)


def one_of_each(paths):
    """The last place of each kind: entries of one list are alike."""
    return list({tuple("*" if isinstance(key, int) else key for key in path): path for path in paths}.values())


ALL = one_of_each(places(full()))
OBJECTS = [p for p in ALL if isinstance(at(full(), p), dict) and not named(p)]
NUMBERS = [p for p in ALL if type(at(full(), p)) in (int, float)]
TEXTS = [p for p in ALL if isinstance(at(full(), p), str)]
LEAVES = [p for p in ALL if not isinstance(at(full(), p), dict | list) and p != ("format",)]


def refusal(document):
    with pytest.raises(InputError) as refused:
        answer(read_text(json.dumps(document)))
    return refused.value


def put(path, value):
    document = full()
    at(document, path[:-1])[path[-1]] = value
    return document


def test_the_full_file_is_answered_whole():
    found = answer(read_text(json.dumps(full()))).document
    assert set(found) == {"format", "solver", *full()["ask"]} - {"merit"}


@pytest.mark.parametrize("path", OBJECTS, ids=written)
def test_an_unknown_key_is_refused_by_name_at_every_level(path):
    error = refusal(put((*path, "zzz"), 1))
    assert error.path == written((*path, "zzz"))
    assert error.reason.startswith('unknown key "zzz"')


@pytest.mark.parametrize("path", [p for p in ALL if p and isinstance(p[-1], str)], ids=written)
def test_a_missing_key_is_refused_or_has_its_documented_meaning(path):
    document = full()
    del at(document, path[:-1])[path[-1]]
    if path[-1] in OPTIONAL or named(path[:-1]) or path == VERY_MANY_UNLESS_SAID:
        with contextlib.suppress(InputError):  # something else may need it, and says so
            answer(read_request(document))
    else:
        error = refusal(document)
        assert (error.path, error.reason) == (written(path), "is missing")


@pytest.mark.parametrize("path", LEAVES, ids=written)
@pytest.mark.parametrize("wrong", [[1], {"a": 1}, None, -math.inf], ids=["list", "object", "null", "-inf"])
def test_a_value_of_the_wrong_type_is_refused_with_its_path(path, wrong):
    if wrong is None and path[-1] in MAY_BE_NULL:
        return
    error = refusal(put(path, wrong))
    assert error.path == written(path)


@pytest.mark.parametrize("path", NUMBERS, ids=written)
@pytest.mark.parametrize("wrong", [True, "1", math.nan, math.inf, 10**400], ids=["true", "text", "nan", "inf", "huge"])
def test_what_is_no_number_is_no_number(path, wrong):
    error = refusal(put(path, wrong))
    assert error.path == written(path)
    assert error.reason.startswith(("must be a number", "must be a finite number"))


@pytest.mark.parametrize("path", TEXTS, ids=written)
@pytest.mark.parametrize("wrong", [7.5, True, "", "\ud800"], ids=["number", "true", "empty", "half a character"])
def test_what_is_no_name_is_no_name(path, wrong):
    assert refusal(put(path, wrong)).path == written(path)


@pytest.mark.parametrize(
    "path",
    [
        p
        for p in ALL
        if p and p[-1] in ("weight", "n_drones", "n_dpq", "max_rounds", "replicates") and at(full(), p) is not None
    ],
    ids=written,
)
@pytest.mark.parametrize("wrong", [0, -1])
def test_counts_and_weights_are_above_nothing(path, wrong):
    error = refusal(put(path, wrong))
    assert error.path == written(path)
    assert error.reason.startswith(("must be at least 1", "must be above 0"))


@pytest.mark.parametrize("path", [p for p in ALL if p and p[-1] in ("n_drones", "n_dpq", "replicates")], ids=written)
def test_counts_are_whole(path):
    assert refusal(put(path, 2.5)).reason == "must be a whole number, not 2.5"
    answer(read_request(put(path, 6.0)))


@pytest.mark.parametrize(
    ("path", "kind"),
    [
        (("pedigree", "queens", 3, "dam"), "queen"),
        (("pedigree", "drones", 0, "dam"), "queen"),
        (("pedigree", "batches", 0, "dpqs", 0, "id"), "queen"),
        (("pedigree", "groups", 0, "dam"), "queen"),
        (("pedigree", "matings", "Q1", "dpqs", 1, "id"), "queen"),
        (("pedigree", "matings", "R", "dpq"), "queen"),
        (("pedigree", "matings", "Q2", "drone"), "drone"),
        (("pedigree", "matings", "X1", "batch"), "batch"),
        (("pedigree", "matings", "X3", "group"), "group"),
        (("records", 4, "queen"), "queen"),
        (("ask", "relationship", 1), "unit"),
        (("ask", "brood_viability", "matings", 0), "queen"),
        (("ask", "brood_viability", "crosses", 0, "queen"), "queen"),
        (("ask", "brood_viability", "genotypes", "Q1", 0), "allele"),
        (("ask", "crosses", 0, "queen"), "queen"),
        (("ask", "contributions", "dam_path", 0), "queen"),
        (("ask", "contributions", "drone_path", 1), "queen"),
    ],
)
def test_an_unknown_name_is_refused_with_the_path_of_its_place(path, kind):
    error = refusal(put(path, "P9"))
    assert str(error) == f'{written(path)}: unknown {kind} "P9"'


@pytest.mark.parametrize("section", ["queens", "drones", "batches", "groups"])
def test_an_id_that_stands_twice_is_refused(section):
    document = full()
    rows = document["pedigree"][section]
    rows.append(copy.deepcopy(rows[0]))
    error = refusal(document)
    assert error.path == f"pedigree.{section}[{len(rows) - 1}].id"
    assert f'"{rows[0]["id"]}" stands twice' in error.reason


@pytest.mark.parametrize(
    ("key", "path"),
    [('"Q2": {', "pedigree.matings.Q2"), ('"honey": 41.0', "records[1].values.honey"), ('"G0": [', "parameters.G0")],
)
def test_a_key_that_stands_twice_in_one_object_is_refused_with_its_path(key, path):
    name = json.loads(key.split(":")[0])
    text = json.dumps(full()).replace(key, f'"{name}": null, {key}', 1)
    with pytest.raises(InputError) as refused:
        read_text(text)
    assert (refused.value.path, refused.value.reason) == (path, "stands twice in one object")


LOOPS = [
    (lambda p: p["queens"][1].update(dam="A"), "pedigree.queens[1].dam", "A ← A"),
    (lambda p: p["queens"][1].update(dam="R"), "pedigree.queens[0].dam", "R ← Q1 ← A ← R"),
    (lambda p: p["matings"]["A"].update(type="dpq", dpq="R"), "pedigree.queens[0].dam", "R ← Q1 ← B:A ← R"),
    (lambda p: p["groups"][0].update(dam="X3"), "pedigree.groups[0].dam", "S:st ← B:X3 ← S:st"),
    (
        lambda p: p["matings"].update(B={"type": "single_drone", "drone": "k"}),
        "pedigree.queens[3].dam",
        "P1 ← d:k ← P1",
    ),
    (lambda p: p["batches"][0]["dpqs"][0].update(id="Y"), "pedigree.queens[11].dam", "Y ← batch s1 ← Y"),
]


@pytest.mark.parametrize(("change", "path", "names"), LOOPS, ids=[names for _, _, names in LOOPS])
def test_a_loop_in_time_is_refused_with_its_names(change, path, names):
    document = full()
    document["pedigree"]["matings"]["A"].pop("group")
    document["pedigree"]["queens"].append({"id": "Y", "dam": "X1"})
    change(document["pedigree"])
    error = refusal(document)
    assert error.path == path
    assert error.reason.startswith("loop in time: ")
    walk = error.reason.removeprefix("loop in time: ").split(" (")[0].split(" ← ")
    assert walk[0] == walk[-1]
    assert set(names.split(" ← ")) <= set(walk)


def test_a_queen_with_her_own_sons_is_no_loop():
    document = worked(inbreeding=True)
    document["pedigree"]["matings"]["R"] = {"type": "dpq", "dpq": "R", "n_drones": 5}
    document["pedigree"]["drones"].append({"id": "son", "dam": "Q1"})
    document["pedigree"]["matings"]["Q1"] = {"type": "single_drone", "drone": "son"}
    found = answer(read_request(document)).document["inbreeding"]
    assert found["workers"]["Q1"] == 0.5
    assert found["queens"]["R"] == 0.5
    assert found["workers"]["R"] == 0.75


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (
            lambda d: d["parameters"].update(traits=["honey", "honey"]),
            'parameters.traits[1]: "honey" stands twice',
        ),
        (lambda d: d["parameters"].update(traits=["honey", "rel_merit"]), "parameters.traits[1]: "),
        (lambda d: d["model"].update(fixed=["year", "year"]), 'model.fixed[1]: "year" stands twice'),
        (lambda d: d["model"].update(covariates=["sugar"]), "records[0].covariates.sugar: is missing"),
        (lambda d: d["records"][2]["fixed"].update(year=1.5), "records[2].fixed.year: must be text"),
        (lambda d: d["records"][2]["fixed"].update(year=True), "records[2].fixed.year: must be text"),
        (lambda d: d["records"][2]["values"].update(wax=1), 'records[2].values.wax: unknown trait "wax"'),
        (lambda d: d["parameters"]["G0"][1].__setitem__(0, 30), "parameters.G0: must be symmetric"),
        (lambda d: d["parameters"].update(permanent=[[1, 2], [2, 1]]), "parameters.permanent: must be positive def"),
        (lambda d: d["parameters"].update(R0=[[1, 0]]), "parameters.R0: must have 2 rows, not 1"),
        (
            lambda d: d["ask"]["variance_components"]["start"].update(R0=[[1, 2], [2, 1]]),
            "ask.variance_components.start.R0: must be positive definite",
        ),
        (
            lambda d: d["model"].update(permanent_colony=False),
            "ask.variance_components.start.permanent: the model has no permanent colony effect",
        ),
        (lambda d: d["ask"]["contributions"].update(max_coancestry=[-0.1]), "ask.contributions.max_coancestry[0]: "),
        (lambda d: d["ask"]["contributions"].update(cap={"B": -0.1}), "ask.contributions.cap.B: must not be below 0"),
        (lambda d: d["ask"]["contributions"].update(cap={"X1": 0.1}), 'ask.contributions.cap.X1: "X1" is no cand'),
        (
            lambda d: d["ask"]["contributions"].update(dam_path=["A", "W:A"]),
            'ask.contributions.dam_path[1]: "W:A" and "A" are the same candidate',
        ),
        (
            lambda d: d["ask"]["contributions"].update(drone_path=["B", "B"]),
            'ask.contributions.drone_path[1]: "B" stands twice',
        ),
        (lambda d: d["ask"]["contributions"].update(dam_path=["X9"]), "ask.contributions.dam_path[0]: unknown queen"),
        (lambda d: d["ask"]["brood_viability"].update(alleles=40_000), "ask.brood_viability.alleles: must be at most"),
        (lambda d: d["ask"]["brood_viability"].update(seed=1.5), "ask.brood_viability.seed: must be a whole number"),
        (lambda d: d["ask"]["brood_viability"].update(alleles={}), "ask.brood_viability.alleles: needs at least two"),
        (
            lambda d: d["ask"]["brood_viability"].update(matings=["Q1", "Q1"]),
            'ask.brood_viability.matings[1]: "Q1" stands twice',
        ),
        (
            lambda d: d["ask"]["brood_viability"]["crosses"][0].update(n_drones=10**6),
            "ask.brood_viability.crosses[0].n_drones: must be at most",
        ),
        (
            lambda d: d["pedigree"]["matings"]["X3"].update(n_drones=10**6),
            'ask.brood_viability: the 1000000 drones of "X3" are too many',
        ),
        (lambda d: d["ask"].update(merit={"weights": {"honey": 0}}), "ask.merit.weights: needs at least one weight"),
        (lambda d: d.update(pedigree={"csv": "study"}), "pedigree.csv: tables cannot be read here"),
        (lambda d: d["pedigree"].update(csv="study"), 'pedigree.queens: unknown key "queens"'),
    ],
)
def test_what_does_not_fit_is_refused(change, said):
    document = full()
    change(document)
    assert str(refusal(document)).startswith(said)


@pytest.mark.parametrize(
    ("change", "path"),
    [
        (lambda d: d["records"][0]["values"].update(honey=1e200), "records[0].values.honey"),
        (lambda d: d["records"][0]["values"].update(honey=-1e101), "records[0].values.honey"),
        (lambda d: d["parameters"].update(G0=[[1e300, 0], [0, 1]]), "parameters.G0[0][0]"),
        (lambda d: d["parameters"].update(G0=[[1e90, 0], [0, 1e90]], R0=[[1e-90]]), "parameters"),
        (lambda d: d["parameters"].update(R0=[[1e-300]]), "parameters"),
        (lambda d: d["pedigree"]["matings"]["R"].update(n_drones=1e300), "pedigree.matings.R.n_drones"),
        (
            lambda d: d["pedigree"]["matings"]["Q1"]["dpqs"][0].update(weight=1e308),
            "pedigree.matings.Q1.dpqs[0].weight",
        ),
    ],
)
def test_numbers_that_nothing_can_be_computed_with_are_refused(change, path):
    document = worked(values=True)
    change(document)
    assert refusal(document).path == path
