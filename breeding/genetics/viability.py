"""Sex locus: expected brood viability of matings and crosses by forward simulation.

A fertilised egg with two equal sex alleles becomes a diploid drone larva and is removed by the workers.

References
----------
Page & Marks (1982), 10.1038/hdy.1982.30 (mean and variance with the number of matings).
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import comb

import numpy as np

from breeding.genetics.crosses import Cross, brood_inbreeding, check_cross, plan_crosses
from breeding.genetics.nodes import NodeTable, build_nodes
from breeding.genetics.pedigree import Pedigree
from breeding.genetics.relationship import mated_queens
from breeding.genetics.sex_alleles import AlleleDrop
from breeding.genetics.types import Floats, InputError

WARN_BELOW = 0.85
WARN_STRONGLY_BELOW = 0.75
# Replicates simulated at once: bounds memory, part of the definition of a seeded result.
BATCH = 5000


@dataclass(frozen=True, slots=True)
class Viability:
    """Share of fertilised eggs that become workers: mean, its simulation error, 5 to 95 % range.

    The range is the luck of few drones. ``inbreeding_only`` is the quick formula (1 - F)(1 - sum p^2), for
    comparison; ``below_75`` the share of cases in which less than 75 % of the brood lives.
    """

    expected: float
    se: float
    low5: float
    high95: float
    inbreeding_only: float
    below_75: float


@dataclass(frozen=True)
class ViabilityTable:
    """Viability of every queen with every source alone, all (n_queens, n_sources); meaning as ``Viability``."""

    expected: Floats
    se: Floats
    low5: Floats
    high95: Floats
    below_75: Floats
    inbreeding_only: Floats


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
    _check_replicates(replicates, path)
    plan = table.layout
    pairs: list[tuple[int, int]] = []
    for i, id_ in enumerate(matings):
        queen = _queen(table, id_, f"{path}.matings[{i}]")
        if plan.set_of[queen] < 0:
            raise InputError(f"{path}.matings[{i}]", f'queen "{id_}" has no mating')
        pairs.append((queen, int(plan.set_of[queen])))
    for i, cross in enumerate(crosses):
        check_cross(cross, table, path=f"{path}.crosses[{i}]")
    wanted = [i for pair in pairs for i in pair]
    wanted += [plan.index[q] for cross in crosses for q in (cross.queen, *cross.sources)]
    drawn = np.empty((len(pairs) + len(crosses), replicates))
    seed = int(rng.integers(2**63))
    for batch, start in enumerate(range(0, replicates, BATCH)):
        stop = min(replicates, start + BATCH)
        drop = AlleleDrop(plan, frequencies, known, stop - start, [seed, batch])
        drop.run(wanted)
        for row, (queen, drones) in enumerate(pairs):
            drawn[row, start:stop] = drop.viability(drop.queen(queen), drop.semen(drones))
        for row, cross in enumerate(crosses, len(pairs)):
            by_source = [(plan.index[s], w, n) for s, w, n in _drones_per_source(cross)]
            semen = drop.drones_of(by_source, drop.stream(f"cross {cross.queen} {sorted(cross.sources.items())}"))
            drawn[row, start:stop] = drop.viability(drop.queen(plan.index[cross.queen]), semen)
    quick = 1.0 - float(frequencies @ frequencies)
    F = _inbreeding(table, pairs, crosses)
    found = [_summary(values, (1.0 - f) * quick) for values, f in zip(drawn, F, strict=True)]
    return ViabilityResult(dict(zip(matings, found, strict=False)), tuple(found[len(pairs) :]))


def viability_table(
    pedigree: Pedigree | NodeTable,
    queens: Sequence[str],
    sources: Sequence[str],
    *,
    n_drones: int | None,
    alleles: int | Mapping[str, float],
    rng: np.random.Generator,
    genotypes: Mapping[str, Sequence[str]] | None = None,
    replicates: int = 10_000,
    path: str = "viability_table",
) -> ViabilityTable:
    """Viability of all queens with the drones of all sources, each source alone.

    Parameters
    ----------
    queens : queens that would be inseminated.
    sources : drone-producing queens.
    n_drones : drones whose semen one queen gets; None: very many.
    alleles, genotypes, replicates : as for ``brood_viability``.

    Raises
    ------
    InputError
        With the path of what cannot be used below ``path``.

    Notes
    -----
    One drop of the locus serves all pairs. A source shares 0, 1 or 2 of a queen's alleles; her share of lost brood is
    then 0, half the share of her drones that carry the one, or 1/2. The luck of the drones is binomial and enters
    exactly, so the simulation error is that of the ancestors alone. Work: n_queens x n_sources x replicates
    comparisons, beside one drop.
    """
    table = pedigree if isinstance(pedigree, NodeTable) else build_nodes(pedigree)
    names, frequencies = allele_frequencies(alleles, path=f"{path}.alleles")
    known = _known(table, genotypes or {}, names, f"{path}.genotypes")
    _check_replicates(replicates, path)
    if n_drones is not None and n_drones < 1:
        raise InputError(f"{path}.n_drones", f"must be at least 1, not {n_drones}")
    rows = [_queen(table, id_, f"{path}.queens[{i}]") for i, id_ in enumerate(queens)]
    columns = [_queen(table, id_, f"{path}.sources[{i}]") for i, id_ in enumerate(sources)]
    counts = np.zeros((len(rows), len(columns), 3), dtype=np.int64)
    seed = int(rng.integers(2**63))
    if rows and columns:
        for batch, start in enumerate(range(0, replicates, BATCH)):
            drop = AlleleDrop(table.layout, frequencies, known, min(replicates - start, BATCH), [seed, batch])
            drop.run([*rows, *columns])
            counts += drop.shared_alleles(rows, columns)
    shared = counts / replicates
    lost, chance = _drone_luck(n_drones)
    cases = shared @ chance  # (n_queens, n_sources, k): how often each share of lost brood comes up
    expected = 1.0 - shared @ np.array([0.0, 0.25, 0.5])
    spread = np.sqrt(np.maximum(0.0, shared @ np.array([0.0, 0.0625, 0.25]) - (1.0 - expected) ** 2))
    # Viability rises as lost brood falls: its 5 % point is the 95 % point of what is lost.
    reached = np.cumsum(cases, axis=2)
    quick = 1.0 - float(frequencies @ frequencies)
    return ViabilityTable(
        expected,
        spread / np.sqrt(replicates),
        1.0 - lost[np.argmax(reached >= 0.95 - 1e-12, axis=2)],
        1.0 - lost[np.argmax(reached >= 0.05 - 1e-12, axis=2)],
        cases[:, :, lost > 1.0 - WARN_STRONGLY_BELOW + 1e-12].sum(axis=2),
        (1.0 - brood_inbreeding(table, queens, sources)) * quick,
    )


def _drone_luck(n_drones: int | None) -> tuple[Floats, Floats]:
    """Possible shares of lost brood, (k,) rising, and their chances when 0, 1, 2 alleles are shared, (3, k)."""
    if n_drones is None:
        return np.array([0.0, 0.25, 0.5]), np.eye(3)
    lost = np.arange(n_drones + 1) / (2.0 * n_drones)
    chance = np.zeros((3, n_drones + 1))
    chance[0, 0] = chance[2, n_drones] = 1.0
    chance[1] = [comb(n_drones, k) / 2**n_drones for k in range(n_drones + 1)]
    return lost, chance


def _check_replicates(replicates: int, path: str) -> None:
    if replicates < 1:
        raise InputError(f"{path}.replicates", f"must be at least 1, not {replicates}")


def _queen(table: NodeTable, id_: str, path: str) -> int:
    queen = table.layout.index.get(id_, table.layout.n_queens)
    if queen >= table.layout.n_queens:
        raise InputError(path, f'unknown queen "{id_}"')
    return queen


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
    below = float((values < WARN_STRONGLY_BELOW - 1e-12).mean())
    return Viability(float(values.mean()), se, float(low), float(high), quick, below)
