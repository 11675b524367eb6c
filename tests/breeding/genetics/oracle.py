"""Slow, independent identity by descent: one node per allele, straight from the definition.

Every female has two alleles (egg, sperm), every drone one. A new allele is a founder or a copy of one
allele drawn from a known distribution over older alleles:
G[x, y] = sum_s pi_x(s) G[s, y] for y older than x, G[x, x] = 1.
"""

import numpy as np

from breeding.genetics.pedigree import OneSource, Open, Pool, SharedBatch, SingleDrone, Station


class Alleles:
    def __init__(self):
        self.G = np.zeros((0, 0))

    def new(self, pi=None):
        n = len(self.G)
        grown = np.zeros((n + 1, n + 1))
        grown[:n, :n] = self.G
        if pi:
            for s, weight in pi.items():
                grown[n, :n] += weight * self.G[s]
            grown[:n, n] = grown[n, :n]
        grown[n, n] = 1.0
        self.G = grown
        return n


class Dropped:
    """The same alleles as they happen: each replicate of a founder is new, each copy copies one older allele.

    ``x[node]`` : (replicates,) numbers of the founders they come from.
    """

    def __init__(self, replicates, rng):
        self.rng = rng
        self.replicates = replicates
        self.x = []

    def new(self, pi=None):
        node = len(self.x)
        if not pi:
            self.x.append(np.full(self.replicates, node))
            return node
        pick = self.rng.choice(len(pi), size=self.replicates, p=np.array(list(pi.values())) / sum(pi.values()))
        self.x.append(np.stack([self.x[s] for s in pi])[pick, np.arange(self.replicates)])
        if sum(pi.values()) < 1 - 1e-12:  # the rest comes from very many unrelated drones: nobody's copy
            fresh = self.rng.random(self.replicates) > sum(pi.values())
            self.x[node][fresh] = node
        return node


def add(*parts):
    total: dict[int, float] = {}
    for weight, pi in parts:
        for s, w in pi.items():
            total[s] = total.get(s, 0.0) + weight * w
    return total


class Oracle:
    """Relationships a = 2 f of every unit of a pedigree."""

    def __init__(self, pedigree, unknown_drones=12, alleles=None):
        self.pedigree = pedigree
        self.alleles = alleles or Alleles()
        self.queens, self.drones, self.batches, self.sisters, self.sets = {}, {}, {}, {}, {}
        self.rows = {q.id: q for q in pedigree.queens}
        self.drone_rows = {d.id: d for d in pedigree.drones}
        self.batch_rows = {b.id: b for b in pedigree.batches}
        self.group_rows = {g.id: g for g in pedigree.groups}
        self.unknown_drones = unknown_drones
        for id_ in self.rows:
            self.queen(id_)
        for id_ in self.drone_rows:
            self.drone(id_)
        for id_ in pedigree.matings:
            self.set(id_)

    def fertilised(self, dam):
        if dam is None:
            return (self.alleles.new(), self.alleles.new())
        egg = self.alleles.new(self.queen(dam))
        drones = self.set(dam)
        if drones is None:  # very many unrelated drones: a new allele each time
            return (egg, self.alleles.new())
        return (egg, self.alleles.new(drones))

    def queen(self, id_):
        """Distribution over the two alleles of a queen."""
        if id_ not in self.queens:
            m, p = self.fertilised(self.rows[id_].dam)
            self.queens[id_] = {m: 0.5, p: 0.5}
        return self.queens[id_]

    def drone(self, id_):
        if id_ not in self.drones:
            dam = self.drone_rows[id_].dam
            self.drones[id_] = {self.alleles.new(None if dam is None else self.queen(dam)): 1.0}
        return self.drones[id_]

    def mixture(self, shares):
        whole = sum(s.weight for s in shares)
        parts = []
        for s in shares:
            mother = self.queen(s.id)
            if s.n_drones is None:
                parts.append((s.weight / whole, mother))
            else:
                drones = {self.alleles.new(mother): 1.0 / s.n_drones for _ in range(s.n_drones)}
                parts.append((s.weight / whole, drones))
        return add(*parts)

    def group(self, id_):
        if id_ not in self.sisters:
            row = self.group_rows[id_]
            females = []
            for _ in range(row.n_dpq):
                m, p = self.fertilised(row.dam)
                females.append((1.0 / row.n_dpq, {m: 0.5, p: 0.5}))
            self.sisters[id_] = add(*females)
        return self.sisters[id_]

    def set(self, id_):
        """Distribution over the drones' alleles a queen carries; None: unrelated and without number."""
        if id_ not in self.sets:
            mating = self.pedigree.matings.get(id_, Open(self.unknown_drones))
            match mating:
                case SingleDrone(drone=d):
                    made = self.drone(d)
                case OneSource(dpq=q, n_drones=n):
                    mother = self.queen(q)
                    made = mother if n is None else {self.alleles.new(mother): 1.0 / n for _ in range(n)}
                case Pool(dpqs=shares):
                    made = self.mixture(shares)
                case SharedBatch(batch=b):
                    if b not in self.batches:
                        self.batches[b] = self.mixture(self.batch_rows[b].dpqs)
                    made = self.batches[b]
                case Station(group=g, n_drones=n):
                    mothers = self.group(g)
                    made = mothers if n is None else {self.alleles.new(mothers): 1.0 / n for _ in range(n)}
                case Open(n_drones=n):
                    made = None if n is None else {self.alleles.new(): 1.0 / n for _ in range(n)}
            self.sets[id_] = made
        return self.sets[id_]

    def unit(self, name):
        if name.startswith("W:"):
            return add((0.5, self.queen(name[2:])), (0.5, self.set(name[2:]) or {}))
        if name.startswith("B:"):
            return self.set(name[2:]) or {}
        if name.startswith("S:"):
            return self.group(name[2:])
        if name.startswith("d:"):
            return self.drone(name[2:])
        return self.queen(name)

    def matrix(self, units):
        made = [self.unit(u) for u in units]
        L = np.zeros((len(units), len(self.alleles.G)))
        for i, pi in enumerate(made):
            for s, w in pi.items():
                L[i, s] = w
        return 2 * L @ self.alleles.G @ L.T

    def observed(self, one, other):
        """Share of draws from two units that are copies of one founder, per replicate (for ``Dropped`` alleles)."""
        assert isinstance(self.alleles, Dropped)
        x = self.alleles.x
        return sum(v * w * (x[s] == x[t]) for s, v in self.unit(one).items() for t, w in self.unit(other).items())

    def inbreeding(self, queen):
        m, p = self.queen(queen)
        return self.alleles.G[m, p]
