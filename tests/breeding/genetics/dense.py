"""Answers of a genetics file by dense algebra, from the document itself: nothing of the kernels but plain dataclasses.

Relationships come from the allele-level oracle, so with V = Z (A x G0) Z' + c c' + R the predictions are
Cov(u, y) P y and their error variances Var(u) - Cov(u, y) P Cov(y, u).
"""

from typing import Any

import numpy as np

from breeding.genetics import pedigree as bees
from tests.breeding.genetics.oracle import Oracle

UNKNOWN = "unknown"


def pedigree_of(document):
    p = document["pedigree"]

    def shares(rows):
        return tuple(bees.DroneShare(r["id"], r["weight"], r["n_drones"]) for r in rows)

    def mating(m):
        match m["type"]:
            case "single_drone":
                return bees.SingleDrone(m["drone"])
            case "dpq":
                return bees.OneSource(m["dpq"], m["n_drones"])
            case "pool":
                return bees.Pool(shares(m["dpqs"]))
            case "batch":
                return bees.SharedBatch(m["batch"])
            case "station":
                return bees.Station(m["group"], m["n_drones"])
            case "open":
                return bees.Open(m["n_drones"], m.get("group"))
        raise AssertionError(m)

    return bees.Pedigree(
        [bees.Queen(q["id"], q["dam"], q.get("group")) for q in p["queens"]],
        {q: mating(m) for q, m in p["matings"].items()},
        [bees.Drone(d["id"], d["dam"]) for d in p.get("drones", [])],
        [bees.Batch(b["id"], shares(b["dpqs"])) for b in p.get("batches", [])],
        [bees.SisterGroup(g["id"], g["dam"], g["n_dpq"]) for g in p.get("groups", [])],
    )


class Dense:
    def __init__(self, document):
        self.document = document
        self.pedigree = pedigree_of(document)
        records = [r for r in document["records"] if any(v is not None for v in r["values"].values())]
        queens = [q.id for q in self.pedigree.queens]
        dams = {q.dam for q in self.pedigree.queens} | {g.dam for g in self.pedigree.groups}
        heads = {r["queen"] for r in document["records"]}
        self.mated = [q for q in queens if q in self.pedigree.matings or q in dams or q in heads]
        self.units = [
            *queens,
            *(f"{kind}:{q}" for kind in "WB" for q in self.mated),
            *(f"d:{d.id}" for d in self.pedigree.drones),
            *(f"S:{g.id}" for g in self.pedigree.groups),
        ]
        self.oracle = Oracle(self.pedigree)
        self.A = self.oracle.matrix(self.units)
        self.at = {unit: i for i, unit in enumerate(self.units)}
        self.traits = document["parameters"]["traits"]
        self.G0 = np.array(document["parameters"]["G0"], dtype=float)
        self.rows = [
            (r, k, r["values"][t]) for r in records for k, t in enumerate(self.traits) if r["values"].get(t) is not None
        ]
        self.y = np.array([value for _, _, value in self.rows])
        self._origins()
        self._equations()

    # -- origins of base entities -------------------------------------------------------------------

    def _origins(self):
        p = self.pedigree
        self.dam_of = {q.id: q for q in p.queens}
        base = {q.group or UNKNOWN for q in p.queens if q.dam is None}
        base |= {UNKNOWN for d in p.drones if d.dam is None} | {UNKNOWN for g in p.groups if g.dam is None}
        base |= {(self._mating(q).group or UNKNOWN) for q in self.mated if isinstance(self._mating(q), bees.Open)}
        self.groups = sorted(base)

    def _mating(self, queen):
        return self.pedigree.matings.get(queen, bees.Open(12))

    def _one(self, group):
        return np.array([float(g == (group or UNKNOWN)) for g in self.groups])

    def origin(self, unit):
        p = self.pedigree
        if unit.startswith("W:"):
            return 0.5 * self.origin(unit[2:]) + 0.5 * self.origin(f"B:{unit[2:]}")
        if unit.startswith("d:"):
            dam = next(d.dam for d in p.drones if d.id == unit[2:])
            return self._one(None) if dam is None else self.origin(dam)
        if unit.startswith("S:"):
            dam = next(g.dam for g in p.groups if g.id == unit[2:])
            return self._one(None) if dam is None else self.origin(f"W:{dam}")
        if unit.startswith("B:"):
            match self._mating(unit[2:]):
                case bees.SingleDrone(drone=d):
                    return self.origin(f"d:{d}")
                case bees.OneSource(dpq=q):
                    return self.origin(q)
                case bees.Station(group=g):
                    return self.origin(f"S:{g}")
                case bees.Open(group=g):
                    return self._one(g)
                case bees.Pool(dpqs=shares):
                    pass
                case bees.SharedBatch(batch=b):
                    shares = next(x.dpqs for x in p.batches if x.id == b)
            whole = sum(s.weight for s in shares)
            return sum(s.weight / whole * self.origin(s.id) for s in shares)
        queen = self.dam_of[unit]
        return self._one(queen.group) if queen.dam is None else self.origin(f"W:{queen.dam}")

    # -- equations ----------------------------------------------------------------------------------

    def _fixed_columns(self, trait):
        """Name and column over all observations; nothing where the observation is of another trait."""
        model = self.document["model"]
        mine = np.array([float(k == trait) for _, k, _ in self.rows])
        if not model.get("fixed"):
            yield "mean", mine
        for number, factor in enumerate(model.get("fixed", [])):
            levels = sorted({str(r["fixed"][factor]) for r, _, _ in self.rows})
            for level in levels[1 if number else 0 :]:
                hit = np.array([float(str(r["fixed"][factor]) == level) for r, _, _ in self.rows])
                yield f"{factor}={level}", mine * hit
        for covariate in model.get("covariates", []):
            yield covariate, mine * np.array([r["covariates"][covariate] for r, _, _ in self.rows])
        if model.get("groups") == "fixed":
            for g in range(1, len(self.groups)):
                for effect, kind in (("worker", "W:"), ("queen", "")):
                    share = np.array([self.origin(f"{kind}{r['queen']}")[g] for r, _, _ in self.rows])
                    yield (g, effect), mine * share

    def _equations(self):
        t, parameters, model = len(self.traits), self.document["parameters"], self.document["model"]
        n = len(self.y)
        Z = np.zeros((n, len(self.units) * 2 * t))
        for i, (record, k, _) in enumerate(self.rows):
            Z[i, self.at[f"W:{record['queen']}"] * 2 * t + 2 * k] = 1
            Z[i, self.at[record["queen"]] * 2 * t + 2 * k + 1] = 1
        R0 = np.array(parameters["R0"], dtype=float)
        same = np.array([[a[0] is b[0] for b in self.rows] for a in self.rows])
        trait = np.array([k for _, k, _ in self.rows])
        self.cov_all = np.kron(self.A, self.G0)
        V = Z @ self.cov_all @ Z.T + same * R0[np.ix_(trait, trait)]
        if model.get("permanent_colony"):
            colony = np.array([[a[0]["queen"] == b[0]["queen"] for b in self.rows] for a in self.rows])
            V += colony * np.array(parameters["permanent"], dtype=float)[np.ix_(trait, trait)]
        names: list[Any] = []
        columns: list[Any] = []
        for k in range(t):
            for name, column in self._fixed_columns(k):
                tried = np.column_stack([*columns, column])
                if np.linalg.matrix_rank(tried, tol=1e-7 * max(1.0, np.abs(tried).max())) == tried.shape[1]:
                    names.append((k, name))
                    columns.append(column)
        X = np.column_stack(columns)
        Vi = np.linalg.inv(V)
        XVX = X.T @ Vi @ X
        b = np.linalg.solve(XVX, X.T @ Vi @ self.y)
        P = Vi - Vi @ X @ np.linalg.solve(XVX, X.T @ Vi)
        self.V, self.P = V, P
        self.b = dict(zip(names, b, strict=True))
        self.C = self.cov_all @ Z.T
        self.u = self.C @ P @ self.y
        self.pev = self.cov_all - self.C @ P @ self.C.T
        free = n - X.shape[1]
        self.loglik = -0.5 * (
            free * np.log(2 * np.pi) + np.linalg.slogdet(V)[1] + np.linalg.slogdet(XVX)[1] + float(self.y @ P @ self.y)
        )

    # -- answers ------------------------------------------------------------------------------------

    def group(self, trait, effect, unit):
        share = self.origin(unit)
        return sum(share[g] * self.b.get((trait, (g, effect)), 0.0) for g in range(1, len(self.groups)))

    def combination(self, parts):
        """Value and reliability of a sum of (unit, trait, effect, weight)."""
        t = len(self.traits)
        k = np.zeros(len(self.u))
        value = 0.0
        for unit, trait, effect, weight in parts:
            k[self.at[unit] * 2 * t + 2 * trait + (effect == "queen")] += weight
            value += weight * self.group(trait, effect, unit)
        prior = k @ self.cov_all @ k
        return value + k @ self.u, (1 - (k @ self.pev @ k) / prior) if prior > 1e-12 else 0.0

    def merit(self, unit, weights):
        whole = sum(abs(w) for w in weights.values())
        parts = []
        for k, trait in enumerate(self.traits):
            sd = np.sqrt(self.G0[2 * k : 2 * k + 2, 2 * k : 2 * k + 2].sum())
            parts += [(unit, k, e, weights.get(trait, 0.0) / whole / sd) for e in ("worker", "queen")]
        return self.combination(parts)

    def fixed(self):
        """trait -> name -> value of every column that some observation has."""
        made = {}
        for k, trait in enumerate(self.traits):
            used = [n for n, c in self._fixed_columns(k) if isinstance(n, str) and np.any(c)]
            made[trait] = {name: self.b.get((k, name), 0.0) for name in used}
        return made
