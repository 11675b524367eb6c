"""Sex alleles dropped through a pedigree: every living female carries two different ones.

A state of the locus is an integer allele; arrays hold one row per replicate. Every queen and drone set draws from a
stream of its own, named by its id: what is drawn for her is the same whoever else is asked for in the same call.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from hashlib import blake2b

import numpy as np
import numpy.typing as npt

from breeding.genetics.entities import Entity, Layout
from breeding.genetics.types import Bools, Floats

Alleles = npt.NDArray[np.int16]


@dataclass(frozen=True)
class Semen:
    """What a queen carries: ``alleles`` (R, k) with ``shares`` (k,), or very many drones of the population."""

    alleles: Alleles
    shares: Floats
    population: bool = False

    @cached_property
    def steps(self) -> Floats | None:
        """Summed shares to draw by; None when all are equal."""
        return None if np.ptp(self.shares) == 0 else np.cumsum(self.shares)


class AlleleDrop:
    """One batch of replicates; entities are made when asked for, ancestors first.

    seed : numbers that name the batch; with the name of an entity they seed its stream.
    """

    def __init__(
        self,
        plan: Layout,
        frequencies: Floats,
        known: Mapping[int, Sequence[int]],
        replicates: int,
        seed: Sequence[int],
    ) -> None:
        self.plan = plan
        self.frequencies = frequencies / np.sum(frequencies)
        self.cumulative = np.cumsum(self.frequencies)
        self.equal = bool(np.ptp(frequencies) == 0)
        self.known = known
        self.R = replicates
        self.seed = seed
        self._females: dict[int, Alleles] = {}  # queens (R, 2); sister groups (R, n, 2)
        self._semen: dict[int, Semen] = {}

    def run(self, wanted: Sequence[int]) -> None:
        """Simulate the wanted entities and all their ancestors, oldest first."""
        needed: dict[int, Entity] = {}
        queue = list(wanted)
        while queue:
            i = queue.pop()
            if i not in needed:
                needed[i] = entity = self.plan.entities[i]
                if i not in self.known:
                    queue.extend(parent for parent, _ in entity.parents)
        for i in sorted(needed, key=lambda i: (int(self.plan.level[i]), i)):
            entity = needed[i]
            rng = self.stream(entity.name)
            if entity.kind == "queen":
                self._females[i] = self._queen(i, entity, rng)
            elif entity.kind == "sisters":
                sisters = [self._daughter(entity.dam, rng) for _ in range(entity.count or 1)]
                self._females[i] = np.stack(sisters, axis=1)
            else:
                self._semen[i] = self._drones(i, entity, rng)

    def stream(self, name: str) -> np.random.Generator:
        """The random numbers of one entity in this batch."""
        digest = int.from_bytes(blake2b(name.encode(), digest_size=8).digest(), "big")
        return np.random.Generator(np.random.SFC64(np.random.SeedSequence([*self.seed, digest])))

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

    def drones_of(self, sources: Sequence[tuple[int, float, int | None]], rng: np.random.Generator) -> Semen:
        """Semen of drone-producing queens (entity, share, number of drones; None: very many)."""
        alleles: list[Alleles] = []
        shares: list[Floats] = []
        for source, share, n in sources:
            mother = self._females[source]
            if n is None:
                alleles.append(mother)
                shares.append(np.full(2, share / 2))
            else:
                alleles.append(np.where(_coins(rng, (self.R, n)), mother[:, 1:], mother[:, :1]))
                shares.append(np.full(n, share / n))
        return Semen(np.concatenate(alleles, axis=1), np.concatenate(shares))

    def shared_alleles(self, queens: Sequence[int], sources: Sequence[int]) -> npt.NDArray[np.int64]:
        """How often a source carries 0, 1, 2 of a queen's alleles, (n_queens, n_sources, 3), summed over replicates."""
        made = np.zeros((len(queens), len(sources), 3), dtype=np.int64)
        first = np.stack([self._females[s][:, 0] for s in sources])
        second = np.stack([self._females[s][:, 1] for s in sources])
        for row, i in enumerate(queens):
            own, other = self._females[i][:, 0], self._females[i][:, 1]
            in_first = (first == own) | (first == other)
            in_second = (second == own) | (second == other)
            both = np.count_nonzero(in_first & in_second, axis=1)
            any_ = np.count_nonzero(in_first | in_second, axis=1)
            made[row, :, 0], made[row, :, 1], made[row, :, 2] = self.R - any_, any_ - both, both
        return made

    def _queen(self, i: int, entity: Entity, rng: np.random.Generator) -> Alleles:
        if i in self.known:
            return np.tile(np.array(self.known[i], dtype=np.int16), (self.R, 1))
        return self._daughter(entity.dam, rng)

    def _daughter(self, dam: int, rng: np.random.Generator) -> Alleles:
        """Egg and sperm redrawn together until they differ: homozygous brood does not live."""
        made = np.empty((self.R, 2), dtype=np.int16)
        left = np.arange(self.R)
        while len(left):
            if dam < 0:
                egg, sperm = self._population(len(left), rng), self._population(len(left), rng)
            else:
                mother, semen = self._females[dam], self._semen[self.plan.set_of[dam]]
                egg = np.where(_coins(rng, len(left)), mother[left, 1], mother[left, 0])
                sperm = self._sperm(semen, left, rng)
            made[left, 0] = egg
            made[left, 1] = sperm
            left = left[egg == sperm]
        return made

    def _sperm(self, semen: Semen, rows: npt.NDArray[np.int64], rng: np.random.Generator) -> Alleles:
        if semen.population:
            return self._population(len(rows), rng)
        k, steps = len(semen.shares), semen.steps
        if steps is None:
            pick = rng.integers(0, k, len(rows))
        else:
            pick = np.minimum(np.searchsorted(steps, rng.random(len(rows)) * steps[-1], side="right"), k - 1)
        return np.asarray(semen.alleles[rows, pick])

    def _population(self, shape: int | tuple[int, ...], rng: np.random.Generator) -> Alleles:
        if self.equal:
            return rng.integers(0, len(self.frequencies), shape, dtype=np.int16)
        drawn = np.searchsorted(self.cumulative, rng.random(shape), side="right")
        return np.minimum(drawn, len(self.cumulative) - 1).astype(np.int16)

    def _drones(self, i: int, entity: Entity, rng: np.random.Generator) -> Semen:
        n = entity.count
        match entity.kind:
            case "drone":
                if i in self.known:
                    own = np.full((self.R, 1), self.known[i][0], dtype=np.int16)
                elif entity.dam < 0:
                    own = self._population((self.R, 1), rng)
                else:
                    mother = self._females[entity.dam]
                    own = np.where(_coins(rng, (self.R, 1)), mother[:, 1:], mother[:, :1])
                return Semen(own, np.ones(1))
            case "open":
                if n is None:
                    return Semen(np.empty((self.R, 0), dtype=np.int16), np.zeros(0), population=True)
                return Semen(self._population((self.R, n), rng), np.full(n, 1.0 / n))
            case "station":
                mothers = self._females[entity.parents[0][0]].reshape(self.R, -1)
                if n is None:
                    return Semen(mothers, np.full(mothers.shape[1], 1.0 / mothers.shape[1]))
                pick = rng.integers(0, mothers.shape[1], (self.R, n))
                return Semen(np.take_along_axis(mothers, pick, axis=1), np.full(n, 1.0 / n))
        return self.drones_of(entity.drones, rng)


def _coins(rng: np.random.Generator, shape: int | tuple[int, ...]) -> Bools:
    return rng.integers(0, 2, shape, dtype=np.uint8).view(np.bool_)
