"""Planned crosses: what to expect of a queen inseminated with given drone-producing queens."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy import sparse

from breeding.genetics.nodes import NodeTable, build_nodes
from breeding.genetics.pedigree import Pedigree
from breeding.genetics.relationship import relationship_between, relationship_of_pairs
from breeding.genetics.types import Csr, Floats, InputError


@dataclass(frozen=True, slots=True)
class Cross:
    """``sources``: drone-producing queen -> share of the semen; shares need no fixed sum."""

    queen: str
    sources: Mapping[str, float]
    n_drones: int | None = None

    def shares(self) -> dict[str, float]:
        """Shares scaled to sum 1."""
        whole = sum(self.sources.values())
        return {source: weight / whole for source, weight in self.sources.items()}


@dataclass(frozen=True, slots=True)
class EffectValues:
    """Worker and queen effect of one queen, trait -> value in the trait's unit."""

    worker: Mapping[str, float]
    queen: Mapping[str, float]


@dataclass(frozen=True, slots=True)
class CrossTrait:
    """``worker``, ``queen``: mean effects of workers and daughters; ``performance``: of the colony.

    ``daughter_sd``: standard deviation of worker + queen effect between daughters around their mean.
    """

    worker: float
    queen: float
    performance: float
    daughter_sd: float | None = None

    @property
    def daughters(self) -> float:
        """Expected worker + queen effect of daughters raised from the cross."""
        return self.worker + self.queen


@dataclass(frozen=True, slots=True)
class CrossResult:
    cross: Cross
    worker_inbreeding: float
    traits: Mapping[str, CrossTrait]
    merit: float | None


def plan_crosses(
    pedigree: Pedigree | NodeTable,
    crosses: Sequence[Cross],
    values: Mapping[str, EffectValues] | None = None,
    *,
    weights: Mapping[str, float] | None = None,
    genetic_sd: Mapping[str, float] | None = None,
    path: str = "crosses",
) -> list[CrossResult]:
    """Expected inbreeding, values and merit of each cross, in the order given.

    Parameters
    ----------
    values : queen -> her effects, possibly of a stored run; None works out the inbreeding alone.
    weights : trait -> weight of the merit, scaled to sum |w| = 1.
    genetic_sd : trait -> genetic standard deviation, ``parameters.genetic_sd(parameters)``; needed for
        merit and for the spread between daughters.

    Raises
    ------
    InputError
        Unknown queen, no source, a share that is not above 0.

    Notes
    -----
    Workers and daughters have 1/2 u(Q) + 1/2 sum w_k u(P_k) for both effects; the colony performs as
    that worker effect plus the queen effect of Q. Daughters vary with v = 1/4 (1 - F_Q) + 1/4 (2 - a_BB).
    """
    table = pedigree if isinstance(pedigree, NodeTable) else build_nodes(pedigree)
    for i, cross in enumerate(crosses):
        check_cross(cross, table, path=f"{path}[{i}]")
    if not crosses:
        return []
    mothers, drones = _rows(table, crosses)
    F_workers = 0.5 * relationship_of_pairs(table, mothers, drones)
    spread = _daughter_variance(table, crosses, drones)
    results: list[CrossResult] = []
    for i, cross in enumerate(crosses):
        traits: dict[str, CrossTrait] = {}
        if values is not None:
            traits = _traits(cross, values, float(spread[i]), genetic_sd, f"{path}[{i}]")
        merit = None
        if traits and weights and genetic_sd:
            whole = sum(abs(w) for w in weights.values())
            merit = sum(w * traits[t].daughters / genetic_sd[t] for t, w in weights.items()) / whole
        results.append(CrossResult(cross, float(F_workers[i]), traits, merit))
    return results


@dataclass(frozen=True)
class TraitTable:
    """One trait of every cross, all (n_queens, n_sources) in the trait's unit; NaN without a parent's value.

    ``worker``, ``queen``: mean effects of workers and daughters; ``performance``: of the colony. ``daughter_sd``,
    ``worker_sd``: standard deviation of worker + queen effect between daughters, of the worker effect between workers.
    """

    worker: Floats
    queen: Floats
    performance: Floats
    daughter_sd: Floats
    worker_sd: Floats

    @property
    def daughters(self) -> Floats:
        return np.asarray(self.worker + self.queen)


@dataclass(frozen=True)
class CrossTable:
    """Every queen with every source alone, all (n_queens, n_sources).

    ``variance``: Mendelian variance between daughters, as a multiple of that among unrelated queens;
    ``merit``, ``merit_sd``: of the daughters, in genetic SD.
    """

    worker_inbreeding: Floats
    variance: Floats
    traits: Mapping[str, TraitTable]
    merit: Floats
    merit_sd: Floats


def cross_table(
    pedigree: Pedigree | NodeTable,
    queens: Sequence[str],
    sources: Sequence[str],
    *,
    n_drones: int | None,
    values: Mapping[str, EffectValues] | None = None,
    traits: Sequence[str] = (),
    G0: Floats | None = None,
    weights: Mapping[str, float] | None = None,
) -> CrossTable:
    """All queens with all sources at once; the same figures as ``plan_crosses`` gives pair by pair.

    Parameters
    ----------
    values : queen -> her effects; crosses of those missing are NaN.
    traits : names in the order of ``G0``.
    G0 : (2 n_traits, 2 n_traits), covariances of (worker, queen) effects among unrelated queens, trait by trait.
    weights : trait -> weight of the merit, scaled to sum |w| = 1.

    Raises
    ------
    InputError
        Unknown queen; fewer than one drone.
    """
    table = pedigree if isinstance(pedigree, NodeTable) else build_nodes(pedigree)
    if n_drones is not None and n_drones < 1:
        raise InputError("n_drones", f"must be at least 1, not {n_drones}")
    inbred = brood_inbreeding(table, queens, sources)
    index, F = table.layout.index, table.F
    F_queen, F_source = F[[index[q] for q in queens]], F[[index[s] for s in sources]]
    own = 0.0 if n_drones is None else (1.0 - F_source) / n_drones
    variance = 0.25 * (1.0 - F_queen)[:, None] + 0.25 * (1.0 - F_source - own)[None, :]
    made: dict[str, TraitTable] = {}
    merit, merit_sd = np.full(inbred.shape, np.nan), np.full(inbred.shape, np.nan)
    if values is not None and G0 is not None:
        root = np.sqrt(np.maximum(0.0, variance))
        contrast = np.zeros(len(G0))
        merit = np.zeros(inbred.shape)
        for t, trait in enumerate(traits):
            block = G0[2 * t : 2 * t + 2, 2 * t : 2 * t + 2]
            sd = float(np.sqrt(block.sum()))
            made[trait] = _trait_table(trait, queens, sources, values, root, sd, float(np.sqrt(block[0, 0])))
            weight = (weights or {}).get(trait, 0.0)
            if weight:
                contrast[2 * t : 2 * t + 2] = weight / sd
                merit += weight / sd * made[trait].daughters
        whole = sum(abs(w) for w in (weights or {}).values())
        merit = merit / whole if whole else np.full(inbred.shape, np.nan)
        merit_sd = root * float(np.sqrt(contrast @ G0 @ contrast)) / whole if whole else merit_sd
    return CrossTable(inbred, variance, made, merit, merit_sd)


def _trait_table(
    trait: str,
    queens: Sequence[str],
    sources: Sequence[str],
    values: Mapping[str, EffectValues],
    root: Floats,
    sd: float,
    worker_sd: float,
) -> TraitTable:
    def column(names: Sequence[str], effect: str) -> Floats:
        found = [getattr(values[name], effect).get(trait, np.nan) if name in values else np.nan for name in names]
        return np.array(found, dtype=float)

    worker = 0.5 * column(queens, "worker")[:, None] + 0.5 * column(sources, "worker")[None, :]
    laying = 0.5 * column(queens, "queen")[:, None] + 0.5 * column(sources, "queen")[None, :]
    performance = worker + column(queens, "queen")[:, None]
    return TraitTable(worker, laying, performance, sd * root, worker_sd * root)


def brood_inbreeding(pedigree: Pedigree | NodeTable, mothers: Sequence[str], sources: Sequence[str]) -> Floats:
    """Inbreeding of the workers of every mother with every source, shape (n_mothers, n_sources).

    A cross with several sources has the mean of their columns, weighted by share.
    """
    table = pedigree if isinstance(pedigree, NodeTable) else build_nodes(pedigree)
    left, right = table.units(mothers, path="mothers"), table.units(sources, path="sources")
    return np.asarray(0.5 * relationship_between(table, left, right))


def check_cross(cross: Cross, table: NodeTable, *, path: str) -> None:
    """Refuse unknown queens and impossible shares, with the path of what is wrong."""
    known, n_queens = table.layout.index, table.layout.n_queens
    if known.get(cross.queen, n_queens) >= n_queens:
        raise InputError(f"{path}.queen", f'unknown queen "{cross.queen}"')
    if not cross.sources:
        raise InputError(f"{path}.sources", "needs at least one drone-producing queen")
    for source, weight in cross.sources.items():
        if known.get(source, n_queens) >= n_queens:
            raise InputError(f"{path}.sources.{source}", f'unknown queen "{source}"')
        if not (weight > 0 and math.isfinite(weight)):
            raise InputError(f"{path}.sources.{source}", f"must be above 0, not {weight:g}")
    if cross.n_drones is not None and cross.n_drones < 1:
        raise InputError(f"{path}.n_drones", f"must be at least 1, not {cross.n_drones}")


def _rows(table: NodeTable, crosses: Sequence[Cross]) -> tuple[Csr, Csr]:
    index, expression = table.layout.index, table.expression
    rows: list[int] = []
    columns: list[int] = []
    shares: list[float] = []
    for i, cross in enumerate(crosses):
        for source, share in cross.shares().items():
            rows.append(i)
            columns.append(index[source])
            shares.append(share)
    choose = sparse.csr_array((shares, (rows, columns)), shape=(len(crosses), expression.shape[0]))
    mothers = expression[[index[cross.queen] for cross in crosses]]
    return mothers, sparse.csr_array(choose @ expression)


def _daughter_variance(table: NodeTable, crosses: Sequence[Cross], drones: Csr) -> Floats:
    index, F = table.layout.index, table.F
    a_bb = relationship_of_pairs(table, drones, drones)
    made = np.empty(len(crosses))
    for i, cross in enumerate(crosses):
        own = 0.0
        if cross.n_drones is not None:
            # n_k = w_k n drones of each source: sum w_k^2 (1 - F_k) / n_k
            own = sum(w * (1.0 - float(F[index[s]])) for s, w in cross.shares().items()) / cross.n_drones
        made[i] = 0.25 * (1.0 - F[index[cross.queen]]) + 0.25 * (2.0 - a_bb[i] - own)
    return made


def _traits(
    cross: Cross,
    values: Mapping[str, EffectValues],
    variance: float,
    genetic_sd: Mapping[str, float] | None,
    path: str,
) -> dict[str, CrossTrait]:
    for queen in (cross.queen, *cross.sources):
        if queen not in values:
            raise InputError(path, f'no value of queen "{queen}"')
    own, shares = values[cross.queen], cross.shares()
    made: dict[str, CrossTrait] = {}
    for trait in own.worker:
        worker = 0.5 * own.worker[trait] + 0.5 * sum(w * values[s].worker[trait] for s, w in shares.items())
        laying = 0.5 * own.queen[trait] + 0.5 * sum(w * values[s].queen[trait] for s, w in shares.items())
        sd = None if genetic_sd is None else genetic_sd[trait] * math.sqrt(max(0.0, variance))
        made[trait] = CrossTrait(worker, laying, worker + own.queen[trait], sd)
    return made
