"""Small genetics files for tests."""

import copy

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
