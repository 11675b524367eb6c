"""From a request to the result document: only what was asked."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from breeding.genetics import reml
from breeding.genetics.cholesky import NotPositiveDefiniteError
from breeding.genetics.contributions import optimum_contributions
from breeding.genetics.crosses import Cross, EffectValues, plan_crosses
from breeding.genetics.evaluation import solver_report
from breeding.genetics.file_format.asking import MOST_DRONES, ComponentsAsk
from breeding.genetics.file_format.reading import Request
from breeding.genetics.nodes import NodeTable, build_nodes
from breeding.genetics.parameters import genetic_sd, merit_contrast
from breeding.genetics.pedigree import OneSource, Open, Pool, SharedBatch, SingleDrone, Station
from breeding.genetics.prediction import Predicted, Prediction, Units
from breeding.genetics.records import Parameters
from breeding.genetics.relationship import inbreeding, relationship_matrix
from breeding.genetics.types import Floats, InputError
from breeding.genetics.viability import Viability, brood_viability

FORMAT = "genetics-result/1"
# Most units of one relationship matrix: 200 MB in memory, some 300 MB of text.
MOST_UNITS = 5000
# Below this a candidate's criterion is rounding of the equations [genetic standard deviations].
ROUNDING = 1e-12
# Relative residual above which the solution of the equations does not count as converged.
RESIDUAL = 1e-8


@dataclass(frozen=True)
class Answer:
    """The result document (without seconds and peak memory) and whether all that was asked converged."""

    document: dict[str, Any]
    converged: bool


def answer(request: Request) -> Answer:
    """Compute what a request asks for.

    Raises
    ------
    InputError
        What is asked does not fit the pedigree or the records; with the path inside the file.
    """
    table = _nodes(request)
    out: dict[str, Any] = {"format": FORMAT}
    converged = True
    if request.asked.relationship is not None:
        units = _all_units(table) if request.asked.relationship is True else list(request.asked.relationship)
        out["relationship"] = {"units": units, "A": _relationships(table, units)}
    if request.asked.inbreeding:
        found = inbreeding(table)
        out["inbreeding"] = {
            "queens": found.queens, "workers": found.workers, "known_generations": found.known_generations,
        }  # fmt: skip
    prediction = _prediction(request, table)
    solver: dict[str, Any] = {"method": "none", "iterations": 0, "relative_residual": 0.0}
    if prediction is not None:
        report = solver_report(prediction)
        solver = {
            "method": report.method, "iterations": report.iterations, "relative_residual": report.relative_residual,
        }  # fmt: skip
        converged = prediction.fit.relative_residual <= RESIDUAL
        if request.asked.values or request.asked.merit:
            out["values"] = _values(request, prediction)
    if request.asked.components is not None:
        assert prediction is not None
        out["variance_components"] = _variance_components(request, prediction)
        converged = converged and out["variance_components"]["converged"]
        solver["iterations"] = out["variance_components"]["rounds"]
    if request.asked.viability is not None:
        out["brood_viability"] = _brood_viability(request, table)
    if request.asked.crosses is not None:
        out["crosses"] = _crosses(request, table, prediction)
    if request.asked.contributions is not None:
        assert prediction is not None
        out["contributions"] = _contributions(request, table, prediction)
        converged = converged and all(s["status"] != "not_converged" for s in out["contributions"]["solutions"])
    out["solver"] = solver
    return Answer(out, converged)


def _nodes(request: Request) -> NodeTable:
    try:
        return build_nodes(request.pedigree, mated=[r.queen for r in request.records])
    except InputError as error:
        raise (error if request.lines is None else request.lines.translated(error)) from error


def _all_units(table: NodeTable) -> list[str]:
    ids = table.queen_ids
    drones = [name for name in table.layout.index if name.startswith("d:")]
    return [*ids, *(f"W:{ids[q]}" for q in table.mated), *drones]


def _relationships(table: NodeTable, units: list[str]) -> list[list[float]]:
    if len(units) > MOST_UNITS:
        raise InputError(
            "ask.relationship",
            f"{len(units)} units are too many for one matrix (at most {MOST_UNITS}); name those you need",
        )
    if not units:
        return []
    made: list[list[float]] = relationship_matrix(table, units, path="ask.relationship").tolist()
    return made


def _prediction(request: Request, table: NodeTable) -> Prediction | None:
    needed = request.asked.values or request.asked.merit or request.asked.components or request.asked.contributions
    useful = request.asked.crosses is not None and any(
        value is not None for record in request.records for value in record.values.values()
    )
    if request.parameters is None or not (needed or useful):
        return None
    try:
        return Prediction(table, request.records, request.model, request.parameters)
    except NotPositiveDefiniteError as error:
        raise InputError("parameters", f"variances lie too far apart to compute with: {error}") from error


def _values(request: Request, prediction: Prediction) -> dict[str, Any]:
    table, ids = prediction.table, prediction.table.queen_ids
    k = None if request.asked.merit is None else merit_contrast(prediction.parameters, request.asked.merit)
    mated = [ids[q] for q in prediction.mated.queens.tolist()]
    others = [name for name in table.layout.index if name.startswith(("d:", "S:"))]
    named: list[tuple[list[str], Units]] = [
        (ids, prediction.queens),
        ([f"W:{id_}" for id_ in mated], prediction.workers),
        ([f"B:{id_}" for id_ in mated], prediction.drone_sets),
        (others, prediction.others(others)),
    ]
    made: dict[str, Any] = {"units": {}}
    predicted: list[Predicted] = []
    for names, units in named:
        predicted.append(prediction.of(units))
        made["units"].update(_unit_values(names, predicted[-1], prediction, k, traits=request.asked.values))
    if not request.asked.values:
        return made
    performance: dict[str, Any] = {id_: {} for id_ in mated}
    for t, trait in enumerate(prediction.parameters.traits):
        total = prediction.trait_contrasts(t)[2]
        value, _, rel = prediction.performance(predicted[1], predicted[0], total)
        for i, id_ in enumerate(mated):
            performance[id_][trait] = {"value": float(value[i]), "rel": float(rel[i])}
    made["performance"] = performance
    made["fixed"] = prediction.colony.fixed(prediction.fit)
    if request.model.groups == "fixed":
        made["groups"] = _groups(prediction)
    made["loglik"] = None if math.isnan(prediction.fit.loglik) else prediction.fit.loglik
    return made


def _unit_values(
    names: Sequence[str], predicted: Predicted, prediction: Prediction, k: Floats | None, *, traits: bool
) -> dict[str, Any]:
    made: dict[str, Any] = {name: {} for name in names}
    for t, trait in enumerate(prediction.parameters.traits if traits else ()):
        worker, queen, total = (predicted.contrast(c) for c in prediction.trait_contrasts(t))
        for i, name in enumerate(names):
            made[name][trait] = {
                "worker": float(worker[0][i]),
                "queen": float(queen[0][i]),
                "sum": float(total[0][i]),
                "rel_worker": float(worker[2][i]),
                "rel_queen": float(queen[2][i]),
                "rel_sum": float(total[2][i]),
            }
    if k is not None:
        value, _, rel = predicted.contrast(k)
        for i, name in enumerate(names):
            made[name]["merit"] = float(value[i])
            made[name]["rel_merit"] = float(rel[i])
    return made


def _groups(prediction: Prediction) -> dict[str, Any]:
    made: dict[str, Any] = {}
    for t, trait in enumerate(prediction.parameters.traits):
        made[trait] = {
            name: {"worker": float(g[2 * t]), "queen": float(g[2 * t + 1])}
            for name, g in zip(prediction.colony.group_names, prediction.group_effects, strict=True)
        }
    return made


def _variance_components(request: Request, prediction: Prediction) -> dict[str, Any]:
    ask = request.asked.components
    assert ask is not None
    start = [ask.G0] if ask.permanent is None else [ask.G0, ask.permanent]
    why = _nothing_left(prediction)
    try:
        if why:
            raise InputError("records", why)
        found = reml.estimate(prediction.colony.model, start, ask.R0, max_rounds=ask.max_rounds)
    except (InputError, NotPositiveDefiniteError) as error:
        return _not_estimated(ask, getattr(error, "reason", str(error)))
    made: dict[str, Any] = {"G0": found.covariances[0].tolist(), "R0": found.residual.tolist()}
    se: dict[str, Any] = {"G0": found.covariances_se[0].tolist(), "R0": found.residual_se.tolist()}
    if ask.permanent is not None:
        made["permanent"] = found.covariances[1].tolist()
        se["permanent"] = found.covariances_se[1].tolist()
    made["se"] = se
    made["loglik"] = found.loglik
    made["rounds"] = found.rounds
    made["converged"] = found.converged
    made["note"] = found.note
    return made


def _nothing_left(prediction: Prediction) -> str:
    """Why the records cannot tell any variance, or nothing."""
    seen = np.isfinite(prediction.colony.model.y)
    for k, trait in enumerate(prediction.parameters.traits):
        if seen[:, k].sum() <= len(prediction.colony.kept[k]):
            return f'"{trait}" has no more records than fixed effects'
    return ""


def _not_estimated(ask: ComponentsAsk, why: str) -> dict[str, Any]:
    made: dict[str, Any] = {"G0": ask.G0.tolist(), "R0": ask.R0.tolist()}
    if ask.permanent is not None:
        made["permanent"] = ask.permanent.tolist()
    note = f"not estimable with these data, the start values stand here: {why}"
    return made | {"se": {}, "loglik": None, "rounds": 0, "converged": False, "note": note}


def _brood_viability(request: Request, table: NodeTable) -> dict[str, Any]:
    ask = request.asked.viability
    assert ask is not None
    _followable(request)
    found = brood_viability(
        table,
        alleles=ask.alleles,
        rng=np.random.default_rng(ask.seed),
        matings=ask.matings,
        crosses=ask.crosses,
        genotypes=ask.genotypes,
        replicates=ask.replicates,
        path="ask.brood_viability",
    )
    crosses = [
        {"queen": c.queen, "sources": dict(c.sources), "n_drones": c.n_drones, **_viability(v)}
        for c, v in zip(ask.crosses, found.crosses, strict=True)
    ]
    return {
        "matings": {id_: _viability(v) for id_, v in found.matings.items()},
        "crosses": crosses,
        "genotypes": {id_: list(alleles) for id_, alleles in ask.genotypes.items()},
    }


def _followable(request: Request) -> None:
    """Refuse numbers of drones and sisters that a simulation one by one cannot hold."""
    for group in request.pedigree.groups:
        if group.n_dpq > MOST_DRONES:
            raise InputError(
                "ask.brood_viability", f'the {group.n_dpq} queens of "{group.id}" are too many (at most {MOST_DRONES})'
            )
    for id_, mating in request.pedigree.matings.items():
        match mating:
            case OneSource(n_drones=n) | Station(n_drones=n) | Open(n_drones=n):
                drones = n or 0
            case Pool(dpqs=shares):
                drones = sum(s.n_drones or 0 for s in shares)
            case SharedBatch(batch=b):
                shares = next(x.dpqs for x in request.pedigree.batches if x.id == b)
                drones = sum(s.n_drones or 0 for s in shares)
            case SingleDrone():
                drones = 1
        if drones > MOST_DRONES:
            raise InputError(
                "ask.brood_viability",
                f'the {drones} drones of "{id_}" are too many (at most {MOST_DRONES}); null stands for very many',
            )


def _viability(v: Viability) -> dict[str, float]:
    return {
        "expected": v.expected, "se": v.se, "low5": v.low5, "high95": v.high95,
        "inbreeding_only": v.inbreeding_only,
    }  # fmt: skip


def _crosses(request: Request, table: NodeTable, prediction: Prediction | None) -> list[dict[str, Any]]:
    assert request.asked.crosses is not None
    values = None if prediction is None else _effects(prediction, request.asked.crosses)
    parameters = request.parameters
    found = plan_crosses(
        table,
        request.asked.crosses,
        values,
        weights=request.asked.merit,
        genetic_sd=None if parameters is None else genetic_sd(parameters),
        path="ask.crosses",
    )
    made: list[dict[str, Any]] = []
    for result in found:
        row: dict[str, Any] = {
            "queen": result.cross.queen,
            "sources": dict(result.cross.sources),
            "F_workers": result.worker_inbreeding,
        }
        for trait, t in result.traits.items():
            row[trait] = {"worker": t.worker, "queen": t.queen, "performance": t.performance}
        if result.merit is not None:
            row["merit"] = result.merit
        made.append(row)
    return made


def _effects(prediction: Prediction, crosses: Sequence[Cross]) -> dict[str, EffectValues]:
    index, traits = prediction.table.layout.index, prediction.parameters.traits
    n = prediction.table.layout.n_queens
    wanted = {id_ for c in crosses for id_ in (c.queen, *c.sources) if index.get(id_, n) < n}
    value = prediction.of(prediction.queens).value
    made: dict[str, EffectValues] = {}
    for id_ in wanted:
        own = value[index[id_]].tolist()
        made[id_] = EffectValues(
            {t: own[2 * k] for k, t in enumerate(traits)}, {t: own[2 * k + 1] for k, t in enumerate(traits)}
        )
    return made


def _contributions(request: Request, table: NodeTable, prediction: Prediction) -> dict[str, Any]:
    ask, parameters = request.asked.contributions, request.parameters
    assert ask is not None
    assert parameters is not None
    dams = [name.removeprefix("W:") for name in ask.dam_path]
    for which, names in (("dam_path", dams), ("drone_path", ask.drone_path)):
        for i, id_ in enumerate(names):
            if table.layout.index.get(id_, table.layout.n_queens) >= table.layout.n_queens:
                raise InputError(f"ask.contributions.{which}[{i}]", f'unknown queen "{id_}"')
    k = _criterion(request, parameters)
    rounding = ROUNDING * float(np.sqrt(k @ parameters.G0 @ k))
    own, brood = (
        np.where(np.abs(value) < rounding, 0.0, value)
        for value in (prediction.of(units).value @ k for units in (prediction.queens, prediction.workers))
    )
    ids, index = table.queen_ids, table.layout.index
    of_mated = {ids[q]: float(brood[i]) for i, q in enumerate(prediction.mated.queens.tolist())}
    curve = optimum_contributions(
        table,
        {id_: of_mated.get(id_, math.nan) for id_ in dams},
        {id_: float(own[index[id_]]) for id_ in ask.drone_path},
        ask.max_coancestry,
        cap=ask.cap,
        path="ask.contributions",
    )
    solutions: list[dict[str, Any]] = []
    for s in curve.solutions:
        found = s.status != "infeasible"
        row: dict[str, Any] = {"max_coancestry": s.max_coancestry, "gain": s.gain if found else None}
        shares = {name: s.dam_path.get(id_, 0.0) for name, id_ in zip(ask.dam_path, dams, strict=True)}
        row["dam_path"] = shares if found else {}
        row["drone_path"] = dict(s.drone_path)
        row["status"] = s.status
        solutions.append(row)
    return {"min_coancestry": curve.min_coancestry, "solutions": solutions}


def _criterion(request: Request, parameters: Parameters) -> Floats:
    """Merit where its weights are given, else worker + queen effect of the one trait."""
    if request.asked.merit is not None:
        return merit_contrast(parameters, request.asked.merit)
    return np.ones(2)
