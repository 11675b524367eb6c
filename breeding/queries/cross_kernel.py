"""Crosses in numbers: the pedigree behind them, the kernel's tables, and one simulation kept for the same question.

A viability is kept in the cache under a fingerprint of exactly the pedigree it came from: a corrected mating gives a
new one by itself. Each queen draws from a stream of her own, so a pair has the same figure on every page.

The pedigree is read anew each time, but who belongs to it is remembered with the rows that said so: while those rows
are the same nobody else has joined, and what was worked out of them holds.
"""

import hashlib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache
from typing import Any, TypeVar

import numpy as np
from django.core.cache import cache

from breeding.genetics import pedigree as kernel
from breeding.genetics.crosses import Cross, CrossTable, EffectValues, cross_table, plan_crosses
from breeding.genetics.nodes import NodeTable, build_nodes
from breeding.genetics.relationship import known_generations
from breeding.genetics.types import Floats
from breeding.genetics.viability import (
    WARN_BELOW,
    WARN_STRONGLY_BELOW,
    Viability,
    ViabilityTable,
    brood_viability,
    viability_table,
)
from breeding.queries.connection import sources_by_queen
from breeding.queries.crosses import CrossOptions, CrossPrediction, Effects, TraitOutlook
from breeding.queries.pedigree import MOST_REMEMBERED, PedigreeRows, pedigree_from, rows_behind, rows_forget

REPLICATES = 10_000  # standard error of the mean below 0.2 points
SEED = 19_760_401
KEPT_SECONDS = 30 * 24 * 3600

MOST_GRIDS = 4  # of one pedigree: an evaluation gives another

T = TypeVar("T")
Mother = tuple[int, bool]  # queen, and whether her daughters are inseminated
Values = Mapping[tuple[int, bool], Effects]


@dataclass(frozen=True)
class _Behind:
    """`known`: known generations by kernel id. `grids`: what was worked out of it, by the rest of the question."""

    pedigree: kernel.Pedigree
    table: NodeTable
    known: dict[str, float]
    grids: dict[str, list[list[CrossPrediction]]] = field(default_factory=dict, compare=False)


def grid(
    mothers: Sequence[Mother],
    sources: Sequence[int],
    values: Values,
    parameters: dict[str, Any] | None,
    options: CrossOptions,
) -> list[list[CrossPrediction]]:
    """Every mother with every source alone."""
    behind = _behind(mothers, sources)
    question = repr((sorted(values.items()), parameters, options))
    if question not in behind.grids:
        if len(behind.grids) >= MOST_GRIDS:
            behind.grids.clear()
        behind.grids[question] = _grid(behind, mothers, sources, values, parameters, options)
    return [list(row) for row in behind.grids[question]]


def _grid(
    behind: _Behind,
    mothers: Sequence[Mother],
    sources: Sequence[int],
    values: Values,
    parameters: dict[str, Any] | None,
    options: CrossOptions,
) -> list[list[CrossPrediction]]:
    queens, drones = [_id(*mother) for mother in mothers], [str(pk) for pk in sources]
    n_drones = options.drones or kernel.USUAL_DOSE_UL
    traits, G0, weights = _scale(parameters)
    table = cross_table(
        behind.table,
        queens,
        drones,
        n_drones=n_drones,
        values=_effects(values) if parameters else None,
        traits=traits,
        G0=G0,
        weights=weights,
    )
    viability = _viabilities(behind, queens, drones, n_drones, options)
    return [
        [_cell(mother, pk, table, viability, behind, i, j) for j, pk in enumerate(sources)]
        for i, mother in enumerate(mothers)
    ]


def mixtures(
    wanted: Sequence[tuple[Mother, Mapping[int, float]]],
    values: Values,
    parameters: dict[str, Any] | None,
    options: CrossOptions,
) -> list[CrossPrediction]:
    """Mothers with mixtures of sources, by drawing the drones of each source."""
    behind = _behind([mother for mother, _ in wanted], [pk for _, shares in wanted for pk in shares])
    n_drones = options.drones or kernel.USUAL_DOSE_UL
    crosses = [
        Cross(_id(*mother), {str(pk): share for pk, share in shares.items()}, max(n_drones, len(shares)))
        for mother, shares in wanted
    ]
    effects = _effects(values) if parameters else {}
    viabilities = _kept(
        ("mixtures", behind.pedigree, crosses, *_asked(behind, options)),
        lambda: (
            brood_viability(
                behind.table,
                alleles=_alleles(options),
                rng=np.random.default_rng(SEED),
                crosses=crosses,
                genotypes=_genotypes(options, behind.table),
                replicates=REPLICATES,
            ).crosses
        ),
    )
    return [
        _mixed(mother, cross, viability, effects, parameters, behind)
        for (mother, _), cross, viability in zip(wanted, crosses, viabilities, strict=True)
    ]


def _mixed(
    mother: Mother,
    cross: Cross,
    viability: Viability,
    effects: Mapping[str, EffectValues],
    parameters: dict[str, Any] | None,
    behind: _Behind,
) -> CrossPrediction:
    traits, G0, weights = _scale(parameters)
    has = parameters is not None and {cross.queen, *cross.sources} <= set(effects)
    sd = dict(parameters["genetic_sd"]) if has and parameters else None
    result = plan_crosses(
        behind.table, [cross], effects if has else None, weights=weights if has else None, genetic_sd=sd
    )[0]
    outlooks: dict[str, TraitOutlook] = {}
    root = 0.0  # of the Mendelian variance, the same for every trait
    if sd is not None and G0 is not None:
        for k, key in enumerate(traits):
            trait = result.traits[key]
            daughters_sd = trait.daughter_sd or 0.0
            root = daughters_sd / sd[key]
            workers_sd = root * float(np.sqrt(G0[2 * k, 2 * k]))
            outlooks[key] = TraitOutlook(trait.worker, workers_sd, trait.performance, trait.daughters, daughters_sd)
    return CrossPrediction(
        mother_id=mother[0],
        drone_queen_ids=tuple(int(pk) for pk in cross.sources),
        of_daughters=mother[1],
        merit=result.merit,
        merit_sd=root * _merit_sd(traits, G0, weights) if has else None,
        traits=outlooks,
        worker_inbreeding=result.worker_inbreeding,
        viability=viability.expected,
        viability_low=viability.low5,
        viability_high=viability.high95,
        below_75=viability.below_75,
        warning=_warning(viability.expected),
        known_generations=_known(behind, cross.queen, cross.shares()),
    )


def _cell(
    mother: Mother, source: int, table: CrossTable, viability: ViabilityTable, behind: _Behind, i: int, j: int
) -> CrossPrediction:
    merit = float(table.merit[i, j])
    outlooks = {
        key: TraitOutlook(
            float(trait.worker[i, j]),
            float(trait.worker_sd[i, j]),
            float(trait.performance[i, j]),
            float(trait.worker[i, j] + trait.queen[i, j]),
            float(trait.daughter_sd[i, j]),
        )
        for key, trait in table.traits.items()
        if not np.isnan(trait.worker[i, j])
    }
    expected = float(viability.expected[i, j])
    return CrossPrediction(
        mother_id=mother[0],
        drone_queen_ids=(source,),
        of_daughters=mother[1],
        merit=None if np.isnan(merit) else merit,
        merit_sd=None if np.isnan(merit) else float(table.merit_sd[i, j]),
        traits=outlooks,
        worker_inbreeding=float(table.worker_inbreeding[i, j]),
        viability=expected,
        viability_low=float(viability.low5[i, j]),
        viability_high=float(viability.high95[i, j]),
        below_75=float(viability.below_75[i, j]),
        warning=_warning(expected),
        known_generations=_known(behind, _id(*mother), {str(source): 1.0}),
    )


def _viabilities(
    behind: _Behind, queens: Sequence[str], drones: Sequence[str], n_drones: int, options: CrossOptions
) -> ViabilityTable:
    return _kept(
        ("table", behind.pedigree, queens, drones, n_drones, *_asked(behind, options)),
        lambda: viability_table(
            behind.table,
            queens,
            drones,
            n_drones=n_drones,
            alleles=_alleles(options),
            rng=np.random.default_rng(SEED),
            genotypes=_genotypes(options, behind.table),
            replicates=REPLICATES,
        ),
    )


def _asked(behind: _Behind, options: CrossOptions) -> tuple[Any, ...]:
    return (_alleles(options), sorted(_genotypes(options, behind.table).items()), REPLICATES, SEED)


def _kept(question: tuple[Any, ...], work_out: Callable[[], T]) -> T:
    """From the cache, else worked out with a fixed seed."""
    key = f"viability:{hashlib.sha256(repr(question).encode()).hexdigest()}"
    kept: T | None = cache.get(key)
    if kept is None:
        kept = work_out()
        cache.set(key, kept, KEPT_SECONDS)
    return kept


def _behind(mothers: Sequence[Mother], sources: Sequence[int]) -> _Behind:
    """The pedigree behind the crosses alone, with the daughters that would be inseminated."""
    raised = frozenset(pk for pk, of_daughters in mothers if of_daughters)
    rows = rows_behind(frozenset([*(pk for pk, _ in mothers), *sources]), mated=raised)
    return _built(tuple(mothers), tuple(sources), rows)


@lru_cache(maxsize=MOST_REMEMBERED)
def _built(mothers: tuple[Mother, ...], sources: tuple[int, ...], rows: PedigreeRows) -> _Behind:
    raised = [pk for pk, of_daughters in mothers if of_daughters]
    read = pedigree_from(rows)
    made = replace(read, queens=[*read.queens, *(kernel.Queen(_id(pk, True), str(pk)) for pk in sorted(set(raised)))])
    made = _pruned(made, _closure({_id(*mother) for mother in mothers} | {str(pk) for pk in sources}, _links(made)))
    table = build_nodes(made)
    known = known_generations(table)
    return _Behind(made, table, dict(zip(table.queen_ids, known.tolist(), strict=True)))


def _id(pk: int, of_daughters: bool) -> str:
    return f"daughter of {pk}" if of_daughters else str(pk)


def _known(behind: _Behind, queen: str, shares: Mapping[str, float]) -> float:
    return 0.5 * behind.known[queen] + 0.5 * sum(share * behind.known[source] for source, share in shares.items())


def _warning(viability: float) -> str:
    if viability < WARN_STRONGLY_BELOW:
        return "strong"
    return "mild" if viability < WARN_BELOW else ""


def _effects(values: Values) -> dict[str, EffectValues]:
    return {_id(*key): EffectValues(worker, queen) for key, (worker, queen) in values.items()}


def _scale(parameters: dict[str, Any] | None) -> tuple[list[str], Floats | None, dict[str, float] | None]:
    """Traits, covariances and weights as the run used them."""
    if parameters is None:
        return [], None, None
    return list(parameters["traits"]), np.array(parameters["G0"], dtype=float), dict(parameters["weights"])


def _merit_sd(traits: Sequence[str], G0: Floats | None, weights: Mapping[str, float] | None) -> float:
    """Genetic SD of the merit among unrelated queens."""
    if G0 is None or not weights:
        return 0.0
    k = np.zeros(len(G0))
    for t, trait in enumerate(traits):
        here = slice(2 * t, 2 * t + 2)
        k[here] = weights.get(trait, 0.0) / np.sqrt(G0[here, here].sum())
    return float(np.sqrt(k @ G0 @ k)) / sum(abs(w) for w in weights.values())


def _alleles(options: CrossOptions) -> int | dict[str, float]:
    """Equally frequent alleles, those of known queens under their own names."""
    named = sorted({allele for pair in options.genotypes.values() for allele in pair})
    if not named:
        return options.alleles
    names = [*named, *(f"unnamed {k}" for k in range(options.alleles - len(named)))]
    return dict.fromkeys(names, 1.0)


def _genotypes(options: CrossOptions, table: NodeTable) -> dict[str, tuple[str, str]]:
    index = table.layout.index
    return {str(pk): pair for pk, pair in options.genotypes.items() if str(pk) in index}


def _links(pedigree: kernel.Pedigree) -> dict[str, set[str]]:
    sources = sources_by_queen(pedigree)
    return {
        queen.id: {queen.dam, *sources.get(queen.dam, ())} if queen.dam is not None else set()
        for queen in pedigree.queens
    }


def _closure(start: set[str], links: dict[str, set[str]]) -> set[str]:
    seen, open_ = set(start), list(start)
    while open_:
        for parent in links.get(open_.pop(), ()):
            if parent not in seen:
                seen.add(parent)
                open_.append(parent)
    return seen


def _pruned(pedigree: kernel.Pedigree, keep: set[str]) -> kernel.Pedigree:
    """The queens to keep and the matings of those among them that are mothers there."""
    mothers = {queen.dam for queen in pedigree.queens if queen.id in keep and queen.dam is not None}
    matings = {id_: mating for id_, mating in pedigree.matings.items() if id_ in mothers}
    drones = {m.drone for m in matings.values() if isinstance(m, kernel.SingleDrone)}
    batches = {m.batch for m in matings.values() if isinstance(m, kernel.SharedBatch)}
    groups = {m.group for m in matings.values() if isinstance(m, kernel.Station)}
    return kernel.Pedigree(
        queens=[queen for queen in pedigree.queens if queen.id in keep],
        matings=matings,
        drones=[drone for drone in pedigree.drones if drone.id in drones],
        batches=[batch for batch in pedigree.batches if batch.id in batches],
        groups=[group for group in pedigree.groups if group.id in groups],
    )


def crosses_forget() -> None:
    """Forget what is kept: for tests, whose databases begin anew with the same numbers."""
    rows_forget()
    _built.cache_clear()
