"""Evaluation runs: asked for as a job, worked out by the kernel, written whole or not at all, never edited."""

import datetime as dt
import time
import uuid
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from django.db import transaction
from django.db.models import Max
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from accounts.models import Cooperative, Job, JobState, Person
from accounts.refusals import Refusal
from accounts.services.audit import audit_record
from accounts.services.jobs import JobHandle, job_ask
from breeding.genetics.evaluation import Estimates, Evaluation, evaluate
from breeding.genetics.parameters import MEAN_A_WW, Heritabilities, components_of, genetic_sd, joined_parameters
from breeding.genetics.pedigree import Pedigree
from breeding.genetics.ranking import Place
from breeding.genetics.records import ModelSpec, Parameters, Record
from breeding.genetics.types import InputError
from breeding.models import EvaluationRun, Merit, Queen, QueenStatus, Trait, TraitValue
from breeding.queries.connection import FACTOR, connection_of
from breeding.queries.pedigree import pedigree_of_cooperative
from breeding.queries.ranking import open_evaluation_job
from breeding.queries.records import RecordSet, records_of
from breeding.services.rules import local_day

KIND = "evaluation"
LARGEST_RESIDUAL = 1e-6
PLACE_SEED = 20_260_101
ROWS_AT_ONCE = 2_000
NAMED_AT_MOST = 6
ENOUGH_RESULTS = 30  # for a word of warning only; our choice


def evaluation_ask(
    cooperative: Cooperative,
    *,
    by: Person | None,
    now: dt.datetime,
    records_until: dt.date | None = None,
    key: uuid.UUID | None = None,
) -> Job:
    """Put an evaluation in line; while one is open, that one is returned."""
    until = records_until or local_day(now, cooperative)
    with transaction.atomic():
        Cooperative.objects.select_for_update(of=("self",)).get(pk=cooperative.pk)
        running = open_evaluation_job(cooperative)
        if running is not None:
            return running
        return job_ask(
            KIND,
            cooperative=cooperative,
            by=by,
            now=now,
            arguments={"records_until": until.isoformat()},
            key=key,
        )


def evaluation_job(handle: JobHandle) -> dict[str, Any]:
    """Read, work out, check, write. Run twice for one job it returns the run that is there."""
    cooperative = handle.job.cooperative
    done = EvaluationRun.objects.filter(job=handle.job).first()
    if done is not None:
        return _result(done)
    until = dt.date.fromisoformat(handle.arguments["records_until"])
    handle.report(JobState.READING, step=_("Reading scores"), done_share=0.0)
    traits = list(Trait.objects.filter(cooperative=cooperative, in_evaluation=True))
    read = records_of(cooperative, until=until)
    handle.report(step=_("Reading the pedigree"), done_share=0.05)
    pedigree = pedigree_of_cooperative(cooperative)
    read, notes = evaluable(pedigree, read)
    used = [trait for trait in traits if any(r.values.get(trait.key) is not None for r in read.records)]
    notes += [_("%(trait)s has no scores and took no part.") % {"trait": t.name} for t in traits if t not in used]
    if not used:
        raise Refusal(
            _("No trait that takes part in the evaluation has scores yet. Enter scores, then start again."),
            rule="no_scores",
        )
    parameters = starting_parameters(used)
    weights = merit_weights(used)
    living = _living(cooperative)
    reference = sorted({r.queen for r in read.records if int(r.queen) in living})
    if not reference:
        notes.append(_("No scored queen is alive: zero is the base of the pedigree."))
    handle.report(
        JobState.WORKING,
        step=_("Working out %(records)s results of %(queens)s queens")
        % {"records": len(read.records), "queens": len(pedigree.queens)},
        done_share=0.1,
    )
    started = time.monotonic()
    try:
        evaluation = evaluate(
            pedigree,
            [_only(record, used) for record in read.records],
            ModelSpec(fixed=(FACTOR,)),
            parameters,
            weights=weights,
            reference=reference or None,
            progress=lambda step, share: handle.report(step=step, done_share=0.1 + 0.75 * share),
        )
    except InputError as error:
        raise Refusal(_("The data cannot be evaluated: %(error)s.") % {"error": error}, rule="input") from error
    seconds = time.monotonic() - started
    handle.report(JobState.CHECKING, step=_("Checking the result and the likely places"), done_share=0.85)
    notes += checked(evaluation, read, used)
    candidates = _candidates(cooperative, evaluation)
    places = (
        evaluation.likely_places(candidates, criterion="drones", rng=np.random.default_rng(PLACE_SEED))
        if candidates
        else {}
    )
    with transaction.atomic():
        # Holds the lease and ends this transaction if another worker has it meanwhile.
        handle.report(step=_("Writing the values"), done_share=0.95)
        run = _write(
            handle.job,
            until=until,
            evaluation=evaluation,
            traits=used,
            parameters=parameters,
            weights=weights,
            places=places,
            notes=notes,
            records=len(read.records),
            reference=len(reference),
            seconds=seconds,
        )
    return _result(run)


def evaluable(pedigree: Pedigree, read: RecordSet) -> tuple[RecordSet, list[str]]:
    """What the data can carry: refused without scores or without a common base, else what is left out, in words."""
    notes = list(read.notes)
    if not read.records:
        raise Refusal(
            _("There are no scores up to that day. Enter scores for some colonies, then start again."),
            rule="no_scores",
        )
    connection = connection_of(pedigree, read.records)
    if not connection.apart:
        return read, notes
    names = [read.level_names.get(level, level) for level in connection.apart]
    if connection.main_records * 2 <= connection.all_records:
        raise Refusal(
            _(
                "The tested groups share no relatives, so their queens cannot be compared: %(names)s. Record the "
                "mothers and matings that join them, or test sisters at several apiaries."
            )
            % {"names": _listed(names)},
            rule="not_connected",
        )
    notes.append(
        ngettext(
            "Left out, because no relative was tested elsewhere: %(names)s.",
            "Left out, because no relatives were tested elsewhere: %(names)s.",
            len(names),
        )
        % {"names": _listed(names)}
    )
    kept = [record for record in read.records if record.fixed[FACTOR] in connection.main]
    return RecordSet(kept, read.level_names, read.notes), notes


def starting_parameters(traits: Sequence[Trait]) -> Parameters:
    """Variances from each trait's own row, no covariance between traits: nothing is assumed that was not measured."""
    parts = []
    for trait in traits:
        known = Heritabilities(float(trait.h2_worker), float(trait.h2_queen), float(trait.correlation_worker_queen))
        try:
            parts.append(components_of(float(trait.phenotypic_sd) ** 2, known, mean_a_ww=MEAN_A_WW))
        except InputError as error:
            raise Refusal(
                _("The starting values of %(trait)s cannot be used: %(reason)s.")
                % {"trait": trait.name, "reason": error.reason},
                rule="parameters",
            ) from error
    return joined_parameters([trait.key for trait in traits], parts)


def merit_weights(traits: Sequence[Trait]) -> dict[str, float]:
    """Weight of each trait in the merit, negative where low is good."""
    weights = {t.key: float(t.merit_weight) * (1 if t.high_is_good else -1) for t in traits}
    if not any(weights.values()):
        raise Refusal(
            _("Every trait that has scores has weight 0 in the merit. Give at least one of them a weight."),
            rule="weights",
        )
    return weights


def checked(evaluation: Evaluation, read: RecordSet, traits: Sequence[Trait]) -> list[str]:
    """Refuse a result that cannot be right; say in words what was checked."""
    residual = evaluation.solver.relative_residual
    if not residual <= LARGEST_RESIDUAL:
        raise Refusal(
            _("The equations were not solved exactly enough (%(residual).1e). Nothing was changed.")
            % {"residual": residual},
            rule="residual",
        )
    if not (np.isfinite(evaluation.total.value).all() and np.isfinite(evaluation.merit_drones.value).all()):
        raise Refusal(_("Some values are not numbers. Nothing was changed."), rule="not_finite")
    reliability = evaluation.merit_drones.reliability
    if (reliability < -1e-6).any() or (reliability > 1 + 1e-6).any():
        raise Refusal(_("Some reliabilities lie outside 0 to 1. Nothing was changed."), rule="reliability")
    notes = [
        _("Solved by %(method)s to a relative residual of %(residual).0e.")
        % {"method": evaluation.solver.method, "residual": residual},
        _("All reliabilities lie between 0 and 1; the best is %(best).2f.") % {"best": float(reliability.max())},
    ]
    few = [
        trait.name
        for trait in traits
        if sum(record.values.get(trait.key) is not None for record in read.records) < ENOUGH_RESULTS
    ]
    if few:
        notes.append(
            _("Fewer than %(number)s results: %(traits)s. Values stay close to zero.")
            % {"number": ENOUGH_RESULTS, "traits": ", ".join(few)}
        )
    return [*notes, *evaluation.notes]


def _only(record: Record, traits: Sequence[Trait]) -> Record:
    return Record(record.queen, {t.key: record.values.get(t.key) for t in traits}, record.fixed)


def _living(cooperative: Cooperative) -> set[int]:
    queens = Queen.objects.filter(cooperative=cooperative).exclude(status=QueenStatus.GONE)
    return set(queens.values_list("pk", flat=True))


def _candidates(cooperative: Cooperative, evaluation: Evaluation) -> list[str]:
    """Who gets a likely place: living queens that are mated or tested; virgins are not yet candidates."""
    mated = set(Queen.objects.filter(cooperative=cooperative, status=QueenStatus.MATED).values_list("pk", flat=True))
    living = _living(cooperative)
    return [
        queen
        for row, queen in enumerate(evaluation.queens)
        if int(queen) in mated or (int(queen) in living and int(evaluation.records[row].sum()) > 0)
    ]


def _write(
    job: Job,
    *,
    until: dt.date,
    evaluation: Evaluation,
    traits: Sequence[Trait],
    parameters: Parameters,
    weights: Mapping[str, float],
    places: Mapping[str, Place],
    notes: list[str],
    records: int,
    reference: int,
    seconds: float,
) -> EvaluationRun:
    cooperative = Cooperative.objects.select_for_update(of=("self",)).get(pk=job.cooperative_id)
    number = EvaluationRun.objects.filter(cooperative=cooperative).aggregate(n=Max("number"))["n"] or 0
    now = timezone.now()
    run = EvaluationRun.objects.create(
        cooperative=cooperative,
        number=number + 1,
        job=job,
        made_at=now,
        records_until=until,
        queens=len(evaluation.queens),
        records=records,
        parameters={
            "traits": list(parameters.traits),
            "G0": parameters.G0.tolist(),
            "R0": parameters.R0.tolist(),
            "weights": dict(weights),
            "genetic_sd": genetic_sd(parameters),
            "fixed": [FACTOR],
            "mean_worker_relationship": MEAN_A_WW,
            "reference_queens": reference,
        },
        solver={
            "method": evaluation.solver.method,
            "iterations": evaluation.solver.iterations,
            "relative_residual": evaluation.solver.relative_residual,
            "equations": evaluation.solver.equations,
            "seconds": round(seconds, 3),
        },
        checks=notes,
    )
    TraitValue.objects.bulk_create(_trait_values(run, evaluation, traits), batch_size=ROWS_AT_ONCE)
    Merit.objects.bulk_create(_merits(run, evaluation, places), batch_size=ROWS_AT_ONCE)
    audit_record(
        run,
        action="evaluation.made",
        by=job.requested_by,
        now=now,
        cooperative=cooperative,
        after={"number": run.number, "queens": run.queens, "records": run.records, "until": until},
    )
    return run


def _trait_values(run: EvaluationRun, evaluation: Evaluation, traits: Sequence[Trait]) -> list[TraitValue]:
    by_key = {trait.key: trait for trait in traits}
    rows = []
    for column, key in enumerate(evaluation.traits):
        for row, queen in enumerate(evaluation.queens):
            rows.append(
                TraitValue(
                    run=run,
                    queen_id=int(queen),
                    trait=by_key[key],
                    worker=float(evaluation.worker.value[row, column]),
                    queen_effect=float(evaluation.queen.value[row, column]),
                    total=float(evaluation.total.value[row, column]),
                    total_error=float(evaluation.total.error[row, column]),
                    total_reliability=float(evaluation.total.reliability[row, column]),
                    as_mother=_or_none(evaluation.as_mother.value[row, column]),
                    as_mother_error=_or_none(evaluation.as_mother.error[row, column]),
                    performance=_or_none(evaluation.performance.value[row, column]),
                    performance_error=_or_none(evaluation.performance.error[row, column]),
                    performance_reliability=_or_none(evaluation.performance.reliability[row, column]),
                    records=int(evaluation.records[row, column]),
                )
            )
    return rows


def _merits(run: EvaluationRun, evaluation: Evaluation, places: Mapping[str, Place]) -> list[Merit]:
    drones: Estimates = evaluation.merit_drones
    mother: Estimates = evaluation.merit_mother
    rows = []
    for row, queen in enumerate(evaluation.queens):
        place = places.get(queen)
        rows.append(
            Merit(
                run=run,
                queen_id=int(queen),
                merit=float(drones.value[row, 0]),
                merit_error=float(drones.error[row, 0]),
                reliability=float(drones.reliability[row, 0]),
                as_mother=_or_none(mother.value[row, 0]),
                as_mother_error=_or_none(mother.error[row, 0]),
                place_best=place.best if place else None,
                place_worst=place.worst if place else None,
                ranked=place.of if place else None,
                inbreeding=float(evaluation.inbreeding[row]),
                worker_inbreeding=_or_none(evaluation.worker_inbreeding[row]),
                known_generations=float(evaluation.known_generations[row]),
            )
        )
    return rows


def _or_none(number: Any) -> float | None:
    value = float(number)
    return None if np.isnan(value) else value


def _listed(names: Sequence[str]) -> str:
    shown = ", ".join(names[:NAMED_AT_MOST])
    more = len(names) - NAMED_AT_MOST
    if more <= 0:
        return shown
    return ngettext("%(shown)s and %(more)s more", "%(shown)s and %(more)s more", more) % {"shown": shown, "more": more}


def _result(run: EvaluationRun) -> dict[str, Any]:
    return {"run": run.pk, "number": run.number, "queens": run.queens, "records": run.records}
