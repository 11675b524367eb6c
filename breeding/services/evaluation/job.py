"""The work of one evaluation job: read, work out, check, write."""

import time
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from django.db import transaction
from django.utils.translation import gettext as _

from accounts.models import Cooperative, JobState
from accounts.refusals import Refusal
from accounts.services.jobs import JobHandle
from breeding.genetics.evaluation import Evaluation, evaluate
from breeding.genetics.feasibility import feasible_effects
from breeding.genetics.ranking import Place
from breeding.genetics.records import Record
from breeding.genetics.types import InputError
from breeding.models import EvaluationRun, Queen, QueenStatus, Trait
from breeding.queries.pedigree import pedigree_of_cooperative
from breeding.queries.records import record_set
from breeding.queries.season_arrays import season_arrays
from breeding.services.evaluation.asking import Choices
from breeding.services.evaluation.checks import checked, evaluable
from breeding.services.evaluation.findings import findings_of
from breeding.services.evaluation.parameters import effects_words, merit_weights, parameters_of
from breeding.services.evaluation.writing import Outcome, run_write
from breeding.services.rules import local_day

PLACE_SEED = 20_260_101


def evaluation_job(handle: JobHandle) -> dict[str, Any]:
    """Read, work out, check, write. Run twice for one job it returns the run that is there."""
    cooperative = handle.job.cooperative
    done = EvaluationRun.objects.filter(job=handle.job).first()
    if done is not None:
        return _result(done)
    choices = Choices.of(handle.arguments)
    choices = replace(choices, last_day=choices.last_day or local_day(handle.now, cooperative))
    handle.report(JobState.READING, step=_("Reading scores"), done_share=0.0)
    traits = _traits(cooperative, choices)
    results = season_arrays(traits, first_day=choices.first_day, last_day=choices.last_day)
    read = record_set(cooperative, results)
    handle.report(step=_("Reading the pedigree"), done_share=0.05)
    pedigree = pedigree_of_cooperative(cooperative)
    read, notes = evaluable(pedigree, read)
    used = [trait for trait in traits if any(trait.key in record.values for record in read.records)]
    notes += [_("%(trait)s has no scores and took no part.") % {"trait": t.name} for t in traits if t not in used]
    if not used:
        raise Refusal(
            _("No trait that takes part in the evaluation has scores yet. Enter scores, then start again."),
            rule="no_scores",
        )
    feasible = feasible_effects(pedigree, read.records)
    parameters = parameters_of(cooperative, used, choice=choices.parameters, effects=feasible.effects)
    notes += [*effects_words(feasible), parameters.words]
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
            parameters.spec,
            parameters.parameters,
            weights=weights,
            reference=reference or None,
            progress=lambda step, share: handle.report(step=step, done_share=0.1 + 0.75 * share),
        )
    except InputError as error:
        raise Refusal(_("The data cannot be evaluated: %(error)s.") % {"error": error}, rule="input") from error
    seconds = time.monotonic() - started
    handle.report(JobState.CHECKING, step=_("Checking the result and the likely places"), done_share=0.85)
    notes += checked(evaluation, read, used)
    places = _places(cooperative, evaluation, living)
    findings: dict[str, Any] = {}
    if choices.whole:
        handle.report(step=_("Holding predictions against later results"), done_share=0.9)
        findings = findings_of(
            evaluation,
            pedigree,
            [_only(record, used) for record in read.records],
            spec=parameters.spec,
            parameters=parameters.parameters,
            weights=weights,
            birth_years=_birth_years(cooperative),
            reference=reference,
        )
    outcome = Outcome(
        choices=choices,
        evaluation=evaluation,
        traits=used,
        used=parameters,
        weights=weights,
        places=places,
        notes=notes,
        records=len(read.records),
        scores=results.n_scores,
        reference=len(reference),
        seconds=seconds,
        findings=findings,
    )
    with transaction.atomic():
        # Holds the lease and ends this transaction if another worker has it meanwhile.
        handle.report(step=_("Writing the values"), done_share=0.95)
        run = run_write(handle.job, outcome)
    return _result(run)


def _traits(cooperative: Cooperative, choices: Choices) -> list[Trait]:
    traits = Trait.objects.filter(cooperative=cooperative, in_evaluation=True)
    return list(traits.filter(key__in=choices.trait_keys) if choices.trait_keys else traits)


def _only(record: Record, traits: Sequence[Trait]) -> Record:
    return Record(record.queen, {t.key: record.values.get(t.key) for t in traits}, record.fixed)


def _living(cooperative: Cooperative) -> set[int]:
    queens = Queen.objects.filter(cooperative=cooperative).exclude(status=QueenStatus.GONE)
    return set(queens.values_list("pk", flat=True))


def _birth_years(cooperative: Cooperative) -> dict[str, int]:
    queens = Queen.objects.filter(cooperative=cooperative, birth_year__isnull=False)
    return {str(pk): int(year or 0) for pk, year in queens.values_list("pk", "birth_year")}


def _places(cooperative: Cooperative, evaluation: Evaluation, living: set[int]) -> dict[str, Place]:
    """Likely places of living queens that are mated or tested; virgins are not yet candidates."""
    mated = set(Queen.objects.filter(cooperative=cooperative, status=QueenStatus.MATED).values_list("pk", flat=True))
    candidates = [
        queen
        for row, queen in enumerate(evaluation.queens)
        if int(queen) in mated or (int(queen) in living and int(evaluation.records[row].sum()) > 0)
    ]
    if not candidates:
        return {}
    return evaluation.likely_places(candidates, criterion="drones", rng=np.random.default_rng(PLACE_SEED))


def _result(run: EvaluationRun) -> dict[str, Any]:
    return {"run": run.pk, "number": run.number, "queens": run.queens, "records": run.records}
