"""Random genetics files, for property tests: pedigrees with every kind of mating, records with gaps, all options."""

import json

import numpy as np
from hypothesis import strategies as st

from breeding.genetics import pedigree as bees
from tests.breeding.genetics.pedigrees import pedigrees

LEVELS = ["x/2025", "y/2025", "x/2026"]


def written(pedigree, groups):
    """A pedigree as the file writes it; ``groups`` gives an origin to each base queen and open mating in turn."""

    def shares(rows):
        return [{"id": s.id, "weight": s.weight, "n_drones": s.n_drones} for s in rows]

    def mating(m):
        match m:
            case bees.SingleDrone(drone=d):
                return {"type": "single_drone", "drone": d}
            case bees.OneSource(dpq=q, n_drones=n):
                return {"type": "dpq", "dpq": q, "n_drones": n}
            case bees.Pool(dpqs=rows):
                return {"type": "pool", "dpqs": shares(rows)}
            case bees.SharedBatch(batch=b):
                return {"type": "batch", "batch": b}
            case bees.Station(group=g, n_drones=n):
                return {"type": "station", "group": g, "n_drones": n}
            case bees.Open(n_drones=n):
                return {"type": "open", "n_drones": n, **origin()}
        raise AssertionError(m)

    def origin():
        group = next(groups)
        return {} if group is None else {"group": group}

    return {
        "queens": [{"id": q.id, "dam": q.dam, **(origin() if q.dam is None else {})} for q in pedigree.queens],
        "drones": [{"id": d.id, "dam": d.dam} for d in pedigree.drones],
        "batches": [{"id": b.id, "dpqs": shares(b.dpqs)} for b in pedigree.batches],
        "groups": [{"id": g.id, "dam": g.dam, "n_dpq": g.n_dpq} for g in pedigree.groups],
        "matings": {q: mating(m) for q, m in pedigree.matings.items()},
    }


def covariance(rng, size, scale):
    L = rng.normal(size=(size, size + 2))
    d = np.sqrt(scale)
    return (d[:, None] * (L @ L.T / (size + 2) + 0.3 * np.eye(size)) * d[None, :]).tolist()


@st.composite
def documents(draw, max_queens=7, max_records=9):
    pedigree = draw(pedigrees(max_queens=max_queens))
    rng = np.random.default_rng(draw(st.integers(0, 10**6)))
    origins = iter(lambda: [None, "north", "south"][rng.integers(3)], 0)
    ids = [q.id for q in pedigree.queens]
    traits = draw(st.sampled_from([["honey"], ["honey", "calm"]]))
    t = len(traits)
    records = [
        {
            "queen": ids[rng.integers(len(ids))],
            "fixed": {"apiary_year": LEVELS[rng.integers(3)], "tester": int(rng.integers(2))},
            "covariates": {"feeding": float(np.round(rng.normal(), 2))},
            "values": {
                trait: None if i >= t and rng.random() < 0.3 else float(np.round(rng.normal(30, 9), 2))
                for trait in traits
            },
        }
        for i in range(draw(st.integers(4, max_records)))
    ]
    permanent = draw(st.booleans())
    parameters = {
        "traits": traits,
        "G0": covariance(rng, 2 * t, np.array([90.0, 60.0, 4.0, 3.0][: 2 * t])),
        "R0": covariance(rng, t, np.array([150.0, 5.0][:t])),
    }
    if permanent:
        parameters["permanent"] = covariance(rng, t, np.array([30.0, 1.0][:t]))
    weights = {"honey": 0.6, "calm": -1.4} if t == 2 else {"honey": 2.0}
    document = {
        "format": "genetics/1",
        "pedigree": written(pedigree, origins),
        "records": records,
        "model": {
            "fixed": draw(st.sampled_from([[], ["apiary_year"], ["tester", "apiary_year"]])),
            "covariates": draw(st.sampled_from([[], ["feeding"]])),
            "permanent_colony": permanent,
            "groups": draw(st.sampled_from(["none", "fixed"])),
        },
        "parameters": parameters,
        "ask": {"values": True, "inbreeding": True, "relationship": True, "merit": {"weights": weights}},
    }
    return json.loads(json.dumps(document))
