"""A run into its tables: one row for the run, one for each queen's merit, one for each queen and trait."""

import datetime as dt
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from django.db.models import Max
from django.utils import timezone

from accounts.models import Cooperative, Job
from accounts.services.audit import audit_record
from accounts.told import Told
from breeding.genetics.evaluation import Evaluation
from breeding.genetics.parameters import MEAN_A_WW, genetic_sd
from breeding.genetics.types import Floats, Ints
from breeding.models import EvaluationRun, Merit, TraitValue
from breeding.queries.connection import FACTOR
from breeding.services.evaluation.asking import Choices
from breeding.services.evaluation.bulk import rows_insert
from breeding.services.evaluation.data import Data
from breeding.services.evaluation.parameters import UsedParameters

VALUE_FIELDS = (
    "run", "trait", "queen", "worker", "queen_effect", "total", "total_error", "total_reliability", "as_mother",
    "as_mother_error", "performance", "performance_error", "performance_reliability", "records",
)  # fmt: skip
MERIT_FIELDS = (
    "run", "queen", "merit", "merit_error", "reliability", "as_mother", "as_mother_error", "place_best", "place_worst",
    "ranked", "inbreeding", "worker_inbreeding", "known_generations",
)  # fmt: skip


@dataclass(frozen=True, eq=False)
class Places:
    """Likely places of the candidates, 1 the best; all (n_candidates,). rows : of the queens in the stock."""

    rows: Ints
    best: Ints
    worst: Ints


@dataclass(frozen=True, eq=False)
class Outcome:
    """All of a run but its number."""

    choices: Choices
    evaluation: Evaluation
    data: Data
    used: UsedParameters
    weights: Mapping[str, float]
    places: Places
    notes: Sequence[Told]
    seconds: float
    findings: Mapping[str, Any]


def run_write(job: Job, outcome: Outcome) -> EvaluationRun:
    """The next run of the cooperative, whole. Inside the caller's transaction."""
    cooperative = Cooperative.objects.select_for_update(of=("self",)).get(pk=job.cooperative_id)
    number = EvaluationRun.objects.filter(cooperative=cooperative).aggregate(n=Max("number"))["n"] or 0
    now = timezone.now()
    evaluation, choices, data = outcome.evaluation, outcome.choices, outcome.data
    parameters = outcome.used.parameters
    assert choices.last_day is not None
    run = EvaluationRun.objects.create(
        cooperative=cooperative,
        number=number + 1,
        job=job,
        made_at=now,
        records_until=choices.last_day,
        queens=len(data.stock.pk),
        records=len(data.rows),
        is_trial=choices.is_trial,
        parameters={
            "traits": list(parameters.traits),
            "G0": parameters.G0.tolist(),
            "R0": parameters.R0.tolist(),
            "source": outcome.used.source,
            "effects": outcome.used.spec.effects,
            "weights": dict(outcome.weights),
            "genetic_sd": genetic_sd(parameters),
            "fixed": [FACTOR],
            "mean_worker_relationship": MEAN_A_WW,
            "reference_queens": len(data.reference),
            "records_from": choices.first_day.isoformat() if choices.first_day else None,
            "scores": data.results.n_scores,
        },
        solver={
            "method": evaluation.solver.method,
            "iterations": evaluation.solver.iterations,
            "relative_residual": evaluation.solver.relative_residual,
            "equations": evaluation.solver.equations,
            "seconds": round(outcome.seconds, 3),
        },
        checks=list(outcome.notes),
        findings=dict(outcome.findings),
    )
    rows_insert(TraitValue, VALUE_FIELDS, _values(run, evaluation, data))
    rows_insert(Merit, MERIT_FIELDS, _merits(run, evaluation, data, outcome.places))
    audit_record(
        run,
        action="evaluation.made",
        by=job.requested_by,
        now=now,
        cooperative=cooperative,
        after=_facts(run, choices.last_day),
    )
    return run


def _facts(run: EvaluationRun, until: dt.date) -> dict[str, Any]:
    facts = {"number": run.number, "queens": run.queens, "records": run.records, "until": until}
    return {**facts, "trial": True} if run.is_trial else facts


def _values(run: EvaluationRun, evaluation: Evaluation, data: Data) -> Iterator[tuple[Any, ...]]:
    by_key = {trait.key: trait.pk for trait in data.traits}
    queens = data.stock.pk.tolist()
    n = len(queens)
    for k, key in enumerate(evaluation.traits):
        total, mother, colony = evaluation.total, evaluation.as_mother, evaluation.performance
        yield from zip(
            [run.pk] * n,
            [by_key[key]] * n,
            queens,
            evaluation.worker.value[:, k].tolist(),
            evaluation.queen.value[:, k].tolist(),
            total.value[:, k].tolist(),
            total.error[:, k].tolist(),
            total.reliability[:, k].tolist(),
            _with_gaps(mother.value[:, k]),
            _with_gaps(mother.error[:, k]),
            _with_gaps(colony.value[:, k]),
            _with_gaps(colony.error[:, k]),
            _with_gaps(colony.reliability[:, k]),
            evaluation.records[:, k].tolist(),
            strict=True,
        )


def _merits(run: EvaluationRun, evaluation: Evaluation, data: Data, places: Places) -> Iterator[tuple[Any, ...]]:
    drones, mother = evaluation.merit_drones, evaluation.merit_mother
    n = len(data.stock.pk)
    best, worst, of = (np.full(n, np.nan) for _ in range(3))
    best[places.rows], worst[places.rows], of[places.rows] = places.best, places.worst, len(places.rows)
    return zip(
        [run.pk] * n,
        data.stock.pk.tolist(),
        drones.value[:, 0].tolist(),
        drones.error[:, 0].tolist(),
        drones.reliability[:, 0].tolist(),
        _with_gaps(mother.value[:, 0]),
        _with_gaps(mother.error[:, 0]),
        _whole_with_gaps(best),
        _whole_with_gaps(worst),
        _whole_with_gaps(of),
        evaluation.inbreeding.tolist(),
        _with_gaps(evaluation.worker_inbreeding),
        evaluation.known_generations.tolist(),
        strict=True,
    )


def _whole_with_gaps(numbers: Floats) -> list[int | None]:
    return [None if number is None else int(number) for number in _with_gaps(numbers)]


def _with_gaps(numbers: Floats) -> list[float | None]:
    """As a list, None where there is no number."""
    made = numbers.astype(object)
    made[np.isnan(numbers)] = None
    return list(made)
