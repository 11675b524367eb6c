"""Small genetics files for tests."""

import copy
import json

WORKED = {
    "format": "genetics/1",
    "pedigree": {
        "queens": [
            {"id": "R", "dam": "Q1"},
            {"id": "A", "dam": None},
            {"id": "B", "dam": None},
            {"id": "P1", "dam": "B"},
            {"id": "P2", "dam": "B"},
            {"id": "Q1", "dam": "A"},
            {"id": "Q2", "dam": "A"},
        ],
        "drones": [{"id": "k", "dam": "P1"}],
        "batches": [],
        "groups": [],
        "matings": {
            "A": {"type": "open", "n_drones": 12},
            "B": {"type": "open", "n_drones": 10},
            "Q1": {
                "type": "pool",
                "dpqs": [
                    {"id": "P1", "weight": 3, "n_drones": 6},
                    {"id": "P2", "weight": 1, "n_drones": 2},
                ],
            },
            "Q2": {"type": "single_drone", "drone": "k"},
            "R": {"type": "dpq", "dpq": "A", "n_drones": 8},
        },
    },
    "records": [
        {"queen": "A", "fixed": {"year": "1"}, "values": {"honey": 32.0}},
        {"queen": "B", "fixed": {"year": "1"}, "values": {"honey": 41.0}},
        {"queen": "Q1", "fixed": {"year": "2"}, "values": {"honey": 28.0}},
        {"queen": "Q2", "fixed": {"year": "2"}, "values": {"honey": 39.0}},
        {"queen": "R", "fixed": {"year": "2"}, "values": {"honey": 25.0}},
    ],
    "model": {"fixed": ["year"], "groups": "none"},
    "parameters": {"traits": ["honey"], "G0": [[100, -30], [-30, 60]], "R0": [[150]]},
    "ask": {},
}


def worked(**ask):
    """The worked example asking for something."""
    document = copy.deepcopy(WORKED)
    document["ask"] = ask
    return document


def full():
    """A file that uses every key, every kind of mating and every question at once."""
    document = worked()
    pedigree = document["pedigree"]
    pedigree["queens"][1]["group"] = "north"
    pedigree["queens"] += [{"id": id_, "dam": "Q2"} for id_ in ("X1", "X2", "X3", "X4")]
    pedigree["batches"] = [{"id": "s1", "dpqs": [{"id": "P1", "weight": 2, "n_drones": 4}]}]
    pedigree["groups"] = [{"id": "st", "dam": "B", "n_dpq": 8}]
    pedigree["matings"] |= {
        "X1": {"type": "batch", "batch": "s1"},
        "X2": {"type": "batch", "batch": "s1"},
        "X3": {"type": "station", "group": "st", "n_drones": 12},
        "X4": {"type": "dpq", "dpq": "X4", "n_drones": None},
    }
    pedigree["matings"]["A"]["group"] = "local"
    document["records"] += [
        {"queen": id_, "fixed": {"year": "3"}, "values": {"honey": 31.0 + i}}
        for i, id_ in enumerate(["X1", "X2", "X3", "X4", "X1", "P2"])
    ]
    for i, record in enumerate(document["records"]):
        record["covariates"] = {"feeding": 0.5 * (i % 4)}
        record["values"]["calm"] = None if i == 2 else 3.0 + 0.25 * (i % 3)
    document["model"] = {"fixed": ["year"], "covariates": ["feeding"], "permanent_colony": True, "groups": "fixed"}
    document["parameters"] = {
        "traits": ["honey", "calm"],
        "G0": [[100, -30, 2, 0], [-30, 60, 0, 1], [2, 0, 1, -0.2], [0, 1, -0.2, 0.5]],
        "R0": [[150, 1], [1, 1]],
        "permanent": [[20, 0], [0, 0.2]],
    }
    document["ask"] = {
        "relationship": ["A", "W:Q1", "B:Q1", "S:st", "d:k"],
        "inbreeding": True,
        "values": True,
        "merit": {"weights": {"honey": 0.6, "calm": 0.4}},
        "variance_components": {
            "start": {"G0": document["parameters"]["G0"], "R0": [[140, 0], [0, 1]], "permanent": [[20, 0], [0, 0.2]]},
            "max_rounds": 2,
        },
        "brood_viability": {
            "alleles": {"a1": 0.3, "a2": 0.3, "a3": 0.4},
            "matings": ["Q1", "X4"],
            "crosses": [{"queen": "R", "sources": {"P1": 1.0}, "n_drones": 10}],
            "genotypes": {"Q1": ["a1", "a3"]},
            "replicates": 50,
            "seed": 3,
        },
        "crosses": [{"queen": "R", "sources": {"P1": 0.75, "P2": 0.25}}],
        "contributions": {
            "dam_path": ["A", "Q1", "X3"],
            "drone_path": ["B", "P1"],
            "max_coancestry": [0.01, 0.14, 0.3],
            "cap": {"B": 0.7},
        },
    }
    return json.loads(json.dumps(document))  # no part stands in two places
