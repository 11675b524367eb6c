"""One trait's estimate from the cooperative's records, as what is kept of it."""

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import isfinite
from typing import Any

import numpy as np

from breeding.genetics.boundary import Boundary
from breeding.genetics.estimates import ComponentEstimates, WithError, estimate_components, genetic_correlations
from breeding.genetics.feasibility import feasible_effects
from breeding.genetics.parameters import Components, Heritabilities, components_of, joined_parameters
from breeding.genetics.pedigree import Pedigree
from breeding.genetics.records import ModelSpec, Parameters, Record
from breeding.genetics.reml import RemlResult
from breeding.models import Trait
from breeding.queries.connection import FACTOR
from breeding.queries.variances import EDGE, ESTIMABLE, FEW, FLAT, NOT_APART, NOT_CONVERGED

ENOUGH_TO_TRY = 50  # results of a trait below which no search is started; our choice
REPEATED_SHARE = 0.2  # of the queens with results in two years or more: then a lasting effect is estimated; our choice
AT_MOST_TOGETHER = 6
# Share of the residual start that a lasting effect starts from.
LASTING_START = 0.3

Tell = Callable[[float], None]


@dataclass(frozen=True)
class Found:
    """What is kept of one trait, and its matrices where they can be used."""

    kept: dict[str, Any]
    parameters: Parameters | None = None

    @property
    def is_usable(self) -> bool:
        return bool(self.kept["status"] == ESTIMABLE)


def trait_found(pedigree: Pedigree, records: Sequence[Record], trait: Trait, tell: Tell) -> Found:
    """Estimate one trait alone, with as many effects as its records can carry."""
    own = [Record(r.queen, {trait.key: r.values[trait.key]}, r.fixed) for r in records if trait.key in r.values]
    feasible = feasible_effects(pedigree, own)
    kept: dict[str, Any] = {
        "records": len(own),
        "colonies": feasible.recorded,
        "mated": feasible.colonies,
        "controlled": feasible.controlled,
        "effects": feasible.effects,
    }
    if len(own) < ENOUGH_TO_TRY:
        return Found({**kept, "status": FEW, "needed": ENOUGH_TO_TRY})
    variance = _within_levels(own, trait.key)
    if variance <= 0:
        return Found({**kept, "status": FLAT})
    repeated = Counter(r.queen for r in own)
    lasting = sum(n > 1 for n in repeated.values()) >= REPEATED_SHARE * len(repeated)
    start = _start(trait, variance, lasting=lasting)
    spec = ModelSpec(fixed=(FACTOR,), permanent_colony=lasting, effects=feasible.effects)
    found = estimate_components(pedigree, own, spec, start, progress=lambda step, part: tell(part))
    status = _status(found.result)
    kept |= {"status": status, **_told(found, trait.key)}
    return Found(kept, found.parameters if status == ESTIMABLE else None)


def together_found(
    pedigree: Pedigree, records: Sequence[Record], alone: dict[str, Found], tell: Tell
) -> tuple[dict[str, Any], dict[str, Found]]:
    """Correlations between the traits that could be estimated with both effects, and those traits' new estimates."""
    keys = [key for key, f in alone.items() if f.is_usable and f.kept["effects"] == "both"]
    if len(keys) < 2:
        return {"status": FEW, "traits": keys}, {}
    if len(keys) > AT_MOST_TOGETHER:
        keys = sorted(keys, key=lambda key: -alone[key].kept["records"])[:AT_MOST_TOGETHER]
    parts = [part for key in keys if (part := alone[key].parameters) is not None]
    lasting = all(part.permanent is not None for part in parts)
    start = joined(parts, lasting=lasting)
    spec = ModelSpec(fixed=(FACTOR,), permanent_colony=lasting)
    own = [Record(r.queen, {k: r.values[k] for k in keys if k in r.values}, r.fixed) for r in records]
    own = [record for record in own if record.values]
    found = estimate_components(pedigree, own, spec, start, progress=lambda step, part: tell(part))
    status = _status(found.result)
    if status != ESTIMABLE:
        return {"status": status, "traits": keys, "rounds": found.result.rounds}, {}
    r, errors = genetic_correlations(found.result)
    told = {"status": status, "traits": keys, "r": r.tolist(), "se": errors.tolist(), "rounds": found.result.rounds}
    tests = {key: {"tests": alone[key].kept["tests"]} for key in keys}
    return told, {key: Found({**alone[key].kept, **_told(found, key), **tests[key]}, found.parameters) for key in keys}


def joined(parts: Sequence[Parameters], *, lasting: bool) -> Parameters:
    """Block-diagonal parameters of several single traits; without `lasting` that part goes into the residual."""
    size = len(parts)
    G0, R0, permanent = np.zeros((2 * size, 2 * size)), np.zeros((size, size)), np.zeros((size, size))
    for k, part in enumerate(parts):
        G0[2 * k : 2 * k + 2, 2 * k : 2 * k + 2] = part.G0
        R0[k, k] = part.R0[0, 0]
        if part.permanent is not None:
            (permanent if lasting else R0)[k, k] += part.permanent[0, 0]
    traits = tuple(trait for part in parts for trait in part.traits)
    return Parameters(traits, G0, R0, permanent if lasting else None)


def matrices_of(found: dict[str, Found], together: Sequence[str]) -> dict[str, Any]:
    """Matrices of all traits that can be adopted; covariances between traits where they were estimated together.

    `permanent` is 0 for traits without a lasting effect of the colony.
    """
    usable = {key: f.parameters for key, f in found.items() if f.parameters is not None}
    shared = usable[together[0]] if together else None
    singles = [part for key, part in usable.items() if key not in together]
    traits = [*together, *(key for part in singles for key in part.traits)]
    t = len(traits)
    G0, R0, permanent = np.zeros((2 * t, 2 * t)), np.zeros((t, t)), np.zeros((t, t))
    at = 0
    for part in [*([shared] if shared is not None else []), *singles]:
        n = len(part.traits)
        G0[2 * at : 2 * (at + n), 2 * at : 2 * (at + n)] = part.G0
        R0[at : at + n, at : at + n] = part.R0
        if part.permanent is not None:
            permanent[at : at + n, at : at + n] = part.permanent
        at += n
    return {"traits": traits, "G0": G0.tolist(), "R0": R0.tolist(), "permanent": permanent.tolist()}


def _within_levels(records: Sequence[Record], key: str) -> float:
    """Variance of the results within apiary-years; of all results where no level has two."""
    levels: dict[str, list[float]] = {}
    for record in records:
        levels.setdefault(record.fixed[FACTOR], []).append(float(record.values[key] or 0.0))
    free = sum(len(values) - 1 for values in levels.values())
    if free == 0:
        return float(np.var([values[0] for values in levels.values()], ddof=1))
    return sum(float(np.var(values)) * len(values) for values in levels.values()) / free


def _start(trait: Trait, variance: float, *, lasting: bool) -> Parameters:
    """The trait's starting heritabilities at the variance that its results have."""
    known = Heritabilities(
        max(0.05, float(trait.h2_worker)), max(0.05, float(trait.h2_queen)), float(trait.correlation_worker_queen)
    )
    parts = components_of(variance, known)
    split = parts.residual * LASTING_START if lasting else 0.0
    whole = joined_parameters([trait.key], [Components(parts.worker, parts.covariance, parts.queen, parts.residual)])
    if not lasting:
        return whole
    return Parameters(whole.traits, whole.G0, whole.R0 - split, permanent=np.array([[split]]))


def _status(result: RemlResult) -> str:
    if not result.told_apart:
        return NOT_APART
    if result.boundaries:
        return EDGE
    return ESTIMABLE if result.converged else NOT_CONVERGED


def _told(found: ComponentEstimates, key: str) -> dict[str, Any]:
    h = found.heritabilities[key]
    sd = float(np.sqrt(h.phenotypic_variance.value))
    edges: Sequence[Boundary] = found.result.boundaries
    return {
        "phenotypic_sd": [sd, h.phenotypic_variance.se / (2 * sd)],
        "h2_worker": _pair(h.worker),
        "h2_queen": _pair(h.queen),
        "correlation": _pair(h.correlation),
        "h2_colony": _pair(h.colony),
        "permanent": _pair(h.permanent),
        "tests": [{"against": t.against, "statistic": t.statistic, "p": t.p} for t in found.tests],
        "loglik": found.result.loglik if isfinite(found.result.loglik) else None,
        "rounds": found.result.rounds,
        "edges": [{"term": edge.term, "kind": edge.kind, "effects": list(edge.effects)} for edge in edges],
    }


def _pair(pair: WithError | None) -> list[float] | None:
    return None if pair is None else [pair.value, pair.se]
