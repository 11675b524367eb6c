"""Sex alleles dropped through a pedigree: every living female carries two different ones.

A state of the locus is an integer allele; arrays hold one row per replicate.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from breeding.genetics.entities import Entity, Layout
from breeding.genetics.types import Floats

Alleles = npt.NDArray[np.int16]


@dataclass(frozen=True)
class Semen:
    """What a queen carries: ``alleles`` (R, k) with ``shares`` (k,), or very many drones of the population."""

    alleles: Alleles
    shares: Floats
    population: bool = False


class AlleleDrop:
    """One batch of replicates; entities are made when asked for, ancestors first."""

    def __init__(
        self,
        plan: Layout,
        frequencies: Floats,
        known: Mapping[int, Sequence[int]],
        replicates: int,
        rng: np.random.Generator,
    ) -> None:
        self.plan = plan
        self.cumulative = np.cumsum(frequencies) / np.sum(frequencies)
        self.frequencies = frequencies / np.sum(frequencies)
        self.known = known
        self.R = replicates
        self.rng = rng
        self._females: dict[int, Alleles] = {}  # queens (R, 2); sister groups (R, n, 2)
        self._semen: dict[int, Semen] = {}

    def run(self, wanted: Sequence[int]) -> None:
        """Simulate the wanted entities and all their ancestors, oldest first."""
        needed: set[int] = set()
        queue = list(wanted)
        while queue:
            i = queue.pop()
            if i not in needed:
                needed.add(i)
                if i not in self.known:
                    queue.extend(parent for parent, _ in self.plan.entities[i].parents)
        for i in sorted(needed, key=lambda i: (int(self.plan.level[i]), i)):
            entity = self.plan.entities[i]
            if entity.kind == "queen":
                self._females[i] = self._queen(i, entity)
            elif entity.kind == "sisters":
                sisters = [self._daughter(entity.dam) for _ in range(entity.count or 1)]
                self._females[i] = np.stack(sisters, axis=1)
            else:
                self._semen[i] = self._drones(i, entity)

    def queen(self, i: int) -> Alleles:
        return self._females[i]

    def semen(self, i: int) -> Semen:
        return self._semen[i]

    def viability(self, queen: Alleles, semen: Semen) -> Floats:
        """1 - P(egg allele = sperm allele), (R,)."""
        same = (semen.alleles == queen[:, :1]).astype(float) + (semen.alleles == queen[:, 1:])
        lost = 0.5 * same @ semen.shares
        if semen.population:
            lost += 0.5 * self.frequencies[queen].sum(axis=1)
        return np.asarray(1.0 - lost)

    def drones_of(self, sources: Sequence[tuple[int, float, int | None]]) -> Semen:
        """Semen of drone-producing queens (entity, share, number of drones; None: very many)."""
        alleles: list[Alleles] = []
        shares: list[Floats] = []
        for source, share, n in sources:
            mother = self._females[source]
            if n is None:
                alleles.append(mother)
                shares.append(np.full(2, share / 2))
            else:
                pick = self.rng.integers(0, 2, (self.R, n))
                alleles.append(np.take_along_axis(mother, pick, axis=1))
                shares.append(np.full(n, share / n))
        return Semen(np.concatenate(alleles, axis=1), np.concatenate(shares))

    def _queen(self, i: int, entity: Entity) -> Alleles:
        if i in self.known:
            return np.tile(np.array(self.known[i], dtype=np.int16), (self.R, 1))
        return self._daughter(entity.dam)

    def _daughter(self, dam: int) -> Alleles:
        """Egg and sperm redrawn together until they differ: homozygous brood does not live."""
        made = np.empty((self.R, 2), dtype=np.int16)
        left = np.arange(self.R)
        while len(left):
            if dam < 0:
                pair = self._population((len(left), 2))
            else:
                mother, semen = self._females[dam], self._semen[self.plan.set_of[dam]]
                egg = mother[left, self.rng.integers(0, 2, len(left))]
                pair = np.stack([egg, self._sperm(semen, left)], axis=1)
            made[left] = pair
            left = left[pair[:, 0] == pair[:, 1]]
        return made

    def _sperm(self, semen: Semen, rows: npt.NDArray[np.int64]) -> Alleles:
        if semen.population:
            return self._population(len(rows))
        steps = np.cumsum(semen.shares)
        drawn = self.rng.random(len(rows)) * steps[-1]
        pick = np.minimum(np.searchsorted(steps, drawn, side="right"), len(steps) - 1)
        return np.asarray(semen.alleles[rows, pick])

    def _population(self, shape: int | tuple[int, ...]) -> Alleles:
        drawn = np.searchsorted(self.cumulative, self.rng.random(shape), side="right")
        return np.minimum(drawn, len(self.cumulative) - 1).astype(np.int16)

    def _drones(self, i: int, entity: Entity) -> Semen:
        n = entity.count
        match entity.kind:
            case "drone":
                if i in self.known:
                    own = np.full((self.R, 1), self.known[i][0], dtype=np.int16)
                elif entity.dam < 0:
                    own = self._population((self.R, 1))
                else:
                    pick = self.rng.integers(0, 2, (self.R, 1))
                    own = np.take_along_axis(self._females[entity.dam], pick, axis=1)
                return Semen(own, np.ones(1))
            case "open":
                if n is None:
                    return Semen(np.empty((self.R, 0), dtype=np.int16), np.zeros(0), population=True)
                return Semen(self._population((self.R, n)), np.full(n, 1.0 / n))
            case "station":
                mothers = self._females[entity.parents[0][0]].reshape(self.R, -1)
                if n is None:
                    return Semen(mothers, np.full(mothers.shape[1], 1.0 / mothers.shape[1]))
                pick = self.rng.integers(0, mothers.shape[1], (self.R, n))
                return Semen(np.take_along_axis(mothers, pick, axis=1), np.full(n, 1.0 / n))
        return self.drones_of(entity.drones)
