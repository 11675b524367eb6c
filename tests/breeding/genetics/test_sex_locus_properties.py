"""Sex alleles on random pedigrees against a slow simulation, one life at a time, and what always holds."""

import random
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from breeding.genetics import pedigree as bees
from breeding.genetics.viability import brood_viability
from tests.breeding.genetics.pedigrees import pedigrees

few = settings(max_examples=20, suppress_health_check=list(HealthCheck))


class Lives:
    """One replicate: who carries which alleles, worked out when somebody asks."""

    def __init__(self, pedigree, frequencies, dice):
        self.p, self.dice = pedigree, dice
        self.names, self.weights = list(frequencies), list(frequencies.values())
        self.queen_rows = {q.id: q for q in pedigree.queens}
        self.drone_rows = {d.id: d for d in pedigree.drones}
        self.batch_rows = {b.id: b for b in pedigree.batches}
        self.group_rows = {g.id: g for g in pedigree.groups}
        self.made = {}

    def once(self, key, make):
        if key not in self.made:
            self.made[key] = make()
        return self.made[key]

    def any_allele(self):
        return self.dice.choices(self.names, self.weights)[0]

    def female(self, dam):
        """Redrawn, egg and sperm, until both alleles differ: the others never lived."""
        while True:
            egg = self.any_allele() if dam is None else self.dice.choice(self.queen(dam))
            sperm = self.any_allele() if dam is None else self.sperm(dam)
            if egg != sperm:
                return egg, sperm

    def sperm(self, queen):
        semen = self.semen(queen)
        if semen is None:
            return self.any_allele()
        return self.dice.choices([a for a, _ in semen], [w for _, w in semen])[0]

    def queen(self, id_):
        return self.once(("queen", id_), lambda: self.female(self.queen_rows[id_].dam))

    def drone(self, id_):
        dam = self.drone_rows[id_].dam
        return self.once(
            ("drone", id_), lambda: self.any_allele() if dam is None else self.dice.choice(self.queen(dam))
        )

    def from_mothers(self, mothers, n, share=1.0):
        """Alleles with their shares: n drones of mothers drawn at random, or very many."""
        if n is None:
            return [(a, share / (2 * len(mothers))) for pair in mothers for a in pair]
        return [(self.dice.choice(self.dice.choice(mothers)), share / n) for _ in range(n)]

    def mixture(self, shares):
        whole = sum(s.weight for s in shares)
        return [x for s in shares for x in self.from_mothers([self.queen(s.id)], s.n_drones, s.weight / whole)]

    def semen(self, id_):
        """None: very many drones of the population."""
        match self.p.matings.get(id_, bees.Open(12)):
            case bees.SingleDrone(drone=d):
                return [(self.drone(d), 1.0)]
            case bees.SharedBatch(batch=b):
                return self.once(("batch", b), lambda: self.mixture(self.batch_rows[b].dpqs))
            case bees.OneSource(dpq=q, n_drones=n):
                return self.once(("set", id_), lambda: self.from_mothers([self.queen(q)], n))
            case bees.Pool(dpqs=shares):
                return self.once(("set", id_), lambda: self.mixture(shares))
            case bees.Station(group=g, n_drones=n):
                row = self.group_rows[g]
                sisters = self.once(("group", g), lambda: [self.female(row.dam) for _ in range(row.n_dpq)])
                return self.once(("set", id_), lambda: self.from_mothers(sisters, n))
            case bees.Open(n_drones=None):
                return None
            case bees.Open(n_drones=int(n)):
                return self.once(("set", id_), lambda: [(self.any_allele(), 1.0 / n) for _ in range(n)])

    def viability(self, id_):
        own, semen = self.queen(id_), self.semen(id_)
        if semen is None:
            whole = sum(self.weights)
            semen = [(a, w / whole) for a, w in zip(self.names, self.weights, strict=True)]
        return 1.0 - sum(w * 0.5 * ((a == own[0]) + (a == own[1])) for a, w in semen)


@few
@given(pedigrees(max_queens=6), st.integers(0, 10**6))
def test_expected_viability_agrees_with_lives_one_by_one(pedigree, seed):
    R = 600
    frequencies = {"a1": 0.5, "a2": 0.2, "a3": 0.2, "a4": 0.1}
    mated = list(pedigree.matings)
    found = brood_viability(
        pedigree, alleles=frequencies, rng=np.random.default_rng(seed), matings=mated, replicates=6000
    ).matings
    dice = random.Random(seed)
    lives = [Lives(pedigree, frequencies, dice) for _ in range(R)]
    for id_ in mated:
        drawn = np.array([life.viability(id_) for life in lives])
        se = np.hypot(drawn.std() / np.sqrt(R), found[id_].se)
        assert abs(drawn.mean() - found[id_].expected) <= 5 * se + 1e-12
        assert 0 <= found[id_].low5 <= np.median(drawn) + 1e-9
        assert np.median(drawn) - 1e-9 <= found[id_].high95 <= 1
        assert drawn.std() == pytest.approx(found[id_].se * np.sqrt(6000), abs=0.03)


@few
@given(pedigrees(), st.data(), st.integers(2, 9))
def test_own_sons_leave_half_of_the_brood_in_any_pedigree(pedigree, data, alleles):
    id_ = data.draw(st.sampled_from([q.id for q in pedigree.queens]))
    heirs = {q.dam for q in pedigree.queens} | {g.dam for g in pedigree.groups}
    if id_ in heirs:
        return  # her daughters were raised from another mating
    selfed = replace(pedigree, matings={**pedigree.matings, id_: bees.OneSource(id_, None)})
    found = brood_viability(
        selfed, alleles=alleles, rng=np.random.default_rng(1), matings=[id_], replicates=50
    ).matings[id_]
    assert (found.expected, found.se) == (0.5, 0.0)


@few
@given(pedigrees(), st.data())
def test_one_known_drone_shares_an_allele_or_not(pedigree, data):
    """Half of the brood lives when he shares one of hers, all of it when he shares none."""
    id_ = data.draw(st.sampled_from([q.id for q in pedigree.queens]))
    allele, expected = data.draw(st.sampled_from([("a1", 0.5), ("a2", 0.5), ("a3", 1.0)]))
    heirs = {q.dam for q in pedigree.queens} | {g.dam for g in pedigree.groups}
    if id_ in heirs:
        return
    known = replace(
        pedigree,
        matings={**pedigree.matings, id_: bees.SingleDrone("known")},
        drones=(*pedigree.drones, bees.Drone("known")),
    )
    found = brood_viability(
        known, alleles=5, rng=np.random.default_rng(1), matings=[id_], replicates=20,
        genotypes={id_: ["a1", "a2"], "d:known": [allele]},
    ).matings[id_]  # fmt: skip
    assert (found.expected, found.se) == (expected, 0.0)
