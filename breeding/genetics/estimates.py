"""Estimates of a population as breeders read them: heritabilities and correlations with their errors, tests.

References
----------
Self & Liang (1987), 10.1080/01621459.1987.10478472; Stram & Lee (1994), 10.2307/2533455
(distribution of the likelihood ratio when a variance lies on its boundary).
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from breeding.genetics import reml
from breeding.genetics.colony_model import ColonyModel, build_colony_model
from breeding.genetics.montecarlo_reml import estimate_by_draws
from breeding.genetics.nodes import NodeTable, build_nodes
from breeding.genetics.parameters import MEAN_A_WW, check_parameters, one_effect_parameters
from breeding.genetics.pedigree import Pedigree
from breeding.genetics.records import Effects, ModelSpec, Parameters, Record
from breeding.genetics.reml import RemlResult
from breeding.genetics.types import Floats, InputError

Progress = Callable[[str, float], None]
# Equations times effects up to which the likelihood is worked out exactly: about a second a round.
LARGEST_EXACT = 24_000
# A second start for a search that ended badly: uncorrelated effects of this share of the first one's.
SECOND_START = 0.3
SINGLE: tuple[Effects, ...] = ("queen", "worker")


@dataclass(frozen=True, slots=True)
class WithError:
    value: float
    se: float


@dataclass(frozen=True, slots=True)
class EstimatedHeritabilities:
    """Of one trait; None for an effect that the model leaves out or a correlation that has no variance.

    ``colony``: everything heritable in a colony's result; ``permanent``: share of the permanent effect.
    """

    phenotypic_variance: WithError
    worker: WithError | None
    queen: WithError | None
    correlation: WithError | None
    colony: WithError
    permanent: WithError | None = None


@dataclass(frozen=True, slots=True)
class LikelihoodRatio:
    """Both effects against a model of one: twice the gain in log-likelihood, and how often chance gives it."""

    against: Effects
    statistic: float
    p: float


@dataclass(frozen=True)
class ComponentEstimates:
    """``parameters`` can go into an evaluation of the same ``effects``; ``tests`` for one trait alone."""

    parameters: Parameters
    effects: Effects
    result: RemlResult
    heritabilities: dict[str, EstimatedHeritabilities]
    tests: tuple[LikelihoodRatio, ...]
    records: int


def estimate_components(
    pedigree: Pedigree,
    records: Sequence[Record],
    spec: ModelSpec,
    start: Parameters,
    *,
    mean_a_ww: float = MEAN_A_WW,
    max_rounds: int = 100,
    progress: Progress | None = None,
) -> ComponentEstimates:
    """Estimate all (co)variances of one to six traits from a pedigree and records.

    Parameters
    ----------
    start : traits and start values for both effects; a model of one effect starts from their heritable sum.
    mean_a_ww : relationship within a worker group at which heritabilities are stated.
    progress : told a step in words and the finished part, 0 to 1; it may raise to stop.

    Notes
    -----
    Beyond ``LARGEST_EXACT`` traces come from simulated records, without a likelihood and its tests.
    A search that does not converge, or that ends below a model of one effect, is started once more from
    uncorrelated small effects; the higher likelihood counts.

    Raises
    ------
    InputError
        With the path of what cannot be used.
    """
    check_parameters(start, path="start")
    if spec.random:
        raise InputError("model.random", "is not estimated here")
    if spec.permanent_colony and start.permanent is None:
        raise InputError("start.permanent", "is missing; the model has a permanent colony effect")
    reached = 0.0

    def tell(step: str, part: float) -> None:
        nonlocal reached
        reached = max(reached, part)  # a second start goes over old ground
        if progress is not None:
            progress(step, reached)

    tell("Relationships", 0.0)
    table = build_nodes(pedigree, mated=[r.queen for r in records])
    test = spec.effects == "both" and len(start.traits) == 1
    shares = (0.1, 0.6, 0.8, 1.0) if test else (0.1, 1.0)

    def search(effects: Effects, part: int, starts: Sequence[Parameters]) -> tuple[ColonyModel, RemlResult]:
        def told(rounds: int, _: float) -> None:
            done = shares[part] + (shares[part + 1] - shares[part]) * (1 - 0.85**rounds)
            tell(f"Round {rounds}, {effects}", done)

        own = replace(spec, effects=effects)
        return _searched(table, records, own, start.traits, starts, max_rounds, told)

    starts = [start, _small(start)]
    colony, result = search(spec.effects, 0, starts)
    tests: list[LikelihoodRatio] = []
    if test and math.isfinite(result.loglik):
        ones = {effects: search(effects, 1 + k, starts)[1] for k, effects in enumerate(SINGLE)}
        if max(one.loglik for one in ones.values()) > result.loglik + 1e-4:
            again = search("both", 0, [_small(start)])[1]
            result = again if again.loglik > result.loglik else result
        for effects, one in ones.items():
            statistic = max(0.0, 2.0 * (result.loglik - one.loglik))
            tests.append(LikelihoodRatio(effects, statistic, second_effect_p(statistic)))
    tell("Errors", 1.0)
    return ComponentEstimates(
        _parameters(start.traits, spec, result),
        spec.effects,
        result,
        {
            trait: estimated_heritabilities(result, k, effects=spec.effects, mean_a_ww=mean_a_ww,
                                            permanent=spec.permanent_colony)
            for k, trait in enumerate(start.traits)
        },
        tuple(tests),
        colony.model.n_observed,
    )  # fmt: skip


def second_effect_p(statistic: float) -> float:
    """P value of one more random effect with its covariance: half chi-square(1), half chi-square(2).

    Stram & Lee (1994), case 3, from one to two correlated effects.
    """
    if statistic <= 0:
        return 1.0
    return 0.5 * math.erfc(math.sqrt(statistic / 2)) + 0.5 * math.exp(-statistic / 2)


def estimated_heritabilities(
    result: RemlResult,
    trait: int = 0,
    *,
    effects: Effects = "both",
    permanent: bool = False,
    mean_a_ww: float = MEAN_A_WW,
) -> EstimatedHeritabilities:
    """Heritabilities of one trait from estimated components; the genetic term comes first in the model."""
    names = _names(effects, permanent)

    def of(matrices: list[Floats]) -> Floats:
        worker, covariance, queen = _genetic(matrices[0], trait, effects)
        lasting = float(matrices[1][trait, trait]) if permanent else 0.0
        heritable = mean_a_ww * worker + queen + covariance
        whole = heritable + sum(float(K[trait, trait]) for K in matrices[1:])
        made = {
            "whole": whole,
            "worker": mean_a_ww * worker / whole,
            "queen": queen / whole,
            "correlation": covariance / math.sqrt(max(worker * queen, 1e-300)),
            "colony": heritable / whole,
            "permanent": lasting / whole,
        }
        return np.array([made[name] for name in names])

    value, se = delta(result, of)
    found = {name: WithError(float(v), float(s)) for name, v, s in zip(names, value, se, strict=True)}
    if any(edge.kind == "variance" and not {2 * trait, 2 * trait + 1}.isdisjoint(edge.effects)
           for edge in result.boundaries if edge.term == "genetic"):  # fmt: skip
        found.pop("correlation", None)
    return EstimatedHeritabilities(
        found["whole"],
        found.get("worker"),
        found.get("queen"),
        found.get("correlation"),
        found["colony"],
        found.get("permanent"),
    )


def genetic_correlations(result: RemlResult) -> tuple[Floats, Floats]:
    """Correlations of all effects of the genetic term and their standard errors, both (k, k).

    Rows in the order of its matrix (trait 1 worker, trait 1 queen, trait 2 worker, ...).
    """
    size = len(result.covariances[0])
    rows, columns = np.tril_indices(size, -1)

    def of(matrices: list[Floats]) -> Floats:
        sd = np.sqrt(np.maximum(np.diag(matrices[0]), 1e-300))
        return np.asarray((matrices[0] / np.outer(sd, sd))[rows, columns])

    value, se = delta(result, of)
    r, errors = np.eye(size), np.zeros((size, size))
    r[rows, columns] = r[columns, rows] = value
    errors[rows, columns] = errors[columns, rows] = se
    return r, errors


def delta(result: RemlResult, function: Callable[[list[Floats]], Floats]) -> tuple[Floats, Floats]:
    """Value and standard error of a function of the components, both (k,).

    function : takes the term covariances and the residual, returns (k,).
    """
    matrices = [*result.covariances, result.residual]
    value = function(matrices)
    slopes = np.empty((len(value), len(result.labels)))
    for column, (m, i, j) in enumerate(result.labels):
        step = 1e-5 * float(np.sqrt(matrices[m][i, i] * matrices[m][j, j]))
        ends: list[Floats] = []
        for sign in (1.0, -1.0):
            moved = [K.copy() for K in matrices]
            moved[m][i, j] += sign * step
            if i != j:
                moved[m][j, i] += sign * step
            ends.append(function(moved))
        slopes[:, column] = (ends[0] - ends[1]) / (2 * step)
    variance = np.einsum("ki,ij,kj->k", slopes, result.sampling, slopes)
    return value, np.sqrt(np.maximum(variance, 0.0))


def _searched(
    table: NodeTable,
    records: Sequence[Record],
    spec: ModelSpec,
    traits: Sequence[str],
    starts: Sequence[Parameters],
    max_rounds: int,
    told: Callable[[int, float], None],
) -> tuple[ColonyModel, RemlResult]:
    """The first search that converges, else the one with the highest likelihood."""
    colony = build_colony_model(table, records, spec, traits)
    best: RemlResult | None = None
    is_large = colony.model.n_equations * colony.model.columns.q > LARGEST_EXACT
    for start in starts:
        one = one_effect_parameters(start, spec.effects)
        begin = colony.covariances(one, spec)
        if is_large:
            return colony, estimate_by_draws(colony.model, begin, one.R0, progress=told)
        found = reml.estimate(colony.model, begin, one.R0, max_rounds=max_rounds, progress=told)
        if best is None or found.loglik > best.loglik:
            best = found
        if best.converged:
            break
    assert best is not None
    return colony, best


def _small(start: Parameters) -> Parameters:
    return replace(start, G0=np.diag(np.diag(start.G0)) * SECOND_START)


def _names(effects: Effects, permanent: bool) -> list[str]:
    left_out = {"both": set(), "queen": {"worker", "correlation"}, "worker": {"queen", "correlation"}}[effects]
    names = ["whole", "worker", "queen", "correlation", "colony", *(["permanent"] if permanent else [])]
    return [name for name in names if name not in left_out]


def _genetic(G: Floats, trait: int, effects: Effects) -> tuple[float, float, float]:
    """Worker variance, covariance, queen variance of one trait."""
    if effects == "both":
        own = 2 * trait
        return float(G[own, own]), float(G[own, own + 1]), float(G[own + 1, own + 1])
    only = float(G[trait, trait])
    return (only, 0.0, 0.0) if effects == "worker" else (0.0, 0.0, only)


def _parameters(traits: Sequence[str], spec: ModelSpec, result: RemlResult) -> Parameters:
    kept = spec.kept_effects(len(traits))
    G0 = np.zeros((2 * len(traits), 2 * len(traits)))
    G0[np.ix_(kept, kept)] = result.covariances[0]
    lasting = result.covariances[1] if spec.permanent_colony else None
    return Parameters(tuple(traits), G0, result.residual, permanent=lasting)
