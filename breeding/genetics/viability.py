"""Sex locus: expected brood viability of matings and crosses by forward simulation.

A fertilised egg with two equal sex alleles becomes a diploid drone larva and is removed by the workers.

References
----------
Page & Marks (1982), 10.1038/hdy.1982.30 (mean and variance with the number of matings).
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from breeding.genetics.crosses import Cross, check_cross, plan_crosses
from breeding.genetics.nodes import NodeTable, build_nodes
from breeding.genetics.pedigree import Pedigree
from breeding.genetics.relationship import mated_queens
from breeding.genetics.sex_alleles import AlleleDrop
from breeding.genetics.types import Floats, InputError

WARN_BELOW = 0.85
WARN_STRONGLY_BELOW = 0.75
# Replicates simulated at once: bounds memory, part of the definition of a seeded result.
BATCH = 2000


@dataclass(frozen=True, slots=True)
class Viability:
    """Share of fertilised eggs that become workers: mean, its simulation error, 5 to 95 % range.

    The range is the luck of few drones. ``inbreeding_only`` is the quick formula
    (1 - F)(1 - sum p^2), for comparison.
    """

    expected: float
    se: float
    low5: float
    high95: float
    inbreeding_only: float


@dataclass(frozen=True, slots=True)
class ViabilityResult:
    matings: Mapping[str, Viability]
    crosses: tuple[Viability, ...]


def brood_viability(
    pedigree: Pedigree | NodeTable,
    *,
    alleles: int | Mapping[str, float],
    rng: np.random.Generator,
    matings: Sequence[str] = (),
    crosses: Sequence[Cross] = (),
    genotypes: Mapping[str, Sequence[str]] | None = None,
    replicates: int = 20_000,
    path: str = "brood_viability",
) -> ViabilityResult:
    """Viability of recorded matings (by queen) and planned crosses.

    Parameters
    ----------
    alleles : number N of equally frequent alleles named a1 ... aN, or name -> frequency (scaled to sum 1).
    genotypes : queen -> two different alleles, ``d:drone`` -> one allele; held fixed. They do not
        change what is expected of her ancestors.
    replicates : independent drops of the locus through the pedigree.

    Raises
    ------
    InputError
        With the path of what cannot be used below ``path``.
    """
    table = pedigree if isinstance(pedigree, NodeTable) else build_nodes(pedigree)
    names, frequencies = allele_frequencies(alleles, path=f"{path}.alleles")
    known = _known(table, genotypes or {}, names, f"{path}.genotypes")
    if replicates < 1:
        raise InputError(f"{path}.replicates", f"must be at least 1, not {replicates}")
    plan = table.layout
    pairs: list[tuple[int, int]] = []
    for i, id_ in enumerate(matings):
        queen = plan.index.get(id_, plan.n_queens)
        if queen >= plan.n_queens:
            raise InputError(f"{path}.matings[{i}]", f'unknown queen "{id_}"')
        if plan.set_of[queen] < 0:
            raise InputError(f"{path}.matings[{i}]", f'queen "{id_}" has no mating')
        pairs.append((queen, plan.set_of[queen]))
    for i, cross in enumerate(crosses):
        check_cross(cross, table, path=f"{path}.crosses[{i}]")
    wanted = [i for pair in pairs for i in pair]
    wanted += [plan.index[q] for cross in crosses for q in (cross.queen, *cross.sources)]
    drawn = np.empty((len(pairs) + len(crosses), replicates))
    for start in range(0, replicates, BATCH):
        stop = min(replicates, start + BATCH)
        drop = AlleleDrop(plan, frequencies, known, stop - start, rng)
        drop.run(wanted)
        for row, (queen, drones) in enumerate(pairs):
            drawn[row, start:stop] = drop.viability(drop.queen(queen), drop.semen(drones))
        for row, cross in enumerate(crosses, len(pairs)):
            semen = drop.drones_of([(plan.index[s], w, n) for s, w, n in _drones_per_source(cross)])
            drawn[row, start:stop] = drop.viability(drop.queen(plan.index[cross.queen]), semen)
    quick = 1.0 - float(frequencies @ frequencies)
    F = _inbreeding(table, pairs, crosses)
    found = [_summary(values, (1.0 - f) * quick) for values, f in zip(drawn, F, strict=True)]
    return ViabilityResult(dict(zip(matings, found, strict=False)), tuple(found[len(pairs) :]))


def allele_frequencies(alleles: int | Mapping[str, float], *, path: str) -> tuple[dict[str, int], Floats]:
    """Names and frequencies (sum 1) of the sex alleles in the population."""
    if isinstance(alleles, int):
        if alleles < 2:
            raise InputError(path, f"must be at least 2, not {alleles}")
        return {f"a{i + 1}": i for i in range(alleles)}, np.full(alleles, 1.0 / alleles)
    for name, frequency in alleles.items():
        if not (frequency > 0 and np.isfinite(frequency)):
            raise InputError(f"{path}.{name}", f"must be above 0, not {frequency:g}")
    if len(alleles) < 2:
        raise InputError(path, "needs at least two alleles")
    values = np.array(list(alleles.values()), dtype=float)
    return {name: i for i, name in enumerate(alleles)}, values / values.sum()


def _known(
    table: NodeTable, genotypes: Mapping[str, Sequence[str]], names: Mapping[str, int], path: str
) -> dict[int, list[int]]:
    plan = table.layout
    made: dict[int, list[int]] = {}
    for unit, carried in genotypes.items():
        entity = plan.index.get(unit, plan.index.get(f"d:{unit}", -1))
        if entity < 0 or plan.entities[entity].kind not in ("queen", "drone"):
            raise InputError(f"{path}.{unit}", f'unknown queen or drone "{unit}"')
        expected = 2 if plan.entities[entity].kind == "queen" else 1
        if len(carried) != expected:
            raise InputError(f"{path}.{unit}", f"needs {expected} allele(s), not {len(carried)}")
        for k, allele in enumerate(carried):
            if allele not in names:
                raise InputError(f"{path}.{unit}[{k}]", f'unknown allele "{allele}"')
        if len(set(carried)) < expected:
            raise InputError(f"{path}.{unit}", "a queen with two equal sex alleles does not live")
        made[entity] = [names[allele] for allele in carried]
    return made


def _drones_per_source(cross: Cross) -> list[tuple[str, float, int | None]]:
    """Drones in proportion to the shares, at least one each, largest remainders first."""
    shares = cross.shares()
    if cross.n_drones is None:
        return [(source, share, None) for source, share in shares.items()]
    exact = {source: share * cross.n_drones for source, share in shares.items()}
    counts = {source: max(1, int(n)) for source, n in exact.items()}
    left = cross.n_drones - sum(counts.values())
    for source in sorted(exact, key=lambda s: exact[s] - int(exact[s]), reverse=True)[: max(0, left)]:
        counts[source] += 1
    return [(source, share, counts[source]) for source, share in shares.items()]


def _inbreeding(table: NodeTable, pairs: Sequence[tuple[int, int]], crosses: Sequence[Cross]) -> list[float]:
    F: dict[int, float] = {}
    if pairs:
        around = mated_queens(table)
        F = dict(zip(around.queens.tolist(), around.worker_inbreeding.tolist(), strict=True))
    return [F[queen] for queen, _ in pairs] + [r.worker_inbreeding for r in plan_crosses(table, crosses)]


def _summary(values: Floats, quick: float) -> Viability:
    low, high = np.quantile(values, [0.05, 0.95])
    se = float(values.std()) / float(np.sqrt(len(values)))
    return Viability(float(values.mean()), se, float(low), float(high), quick)
