"""The work of one evaluation job: read, work out, check, write."""

import time
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np
from django.db import transaction

from accounts.models import JobState
from accounts.refusals import Refusal
from accounts.services.jobs import JobHandle
from accounts.told import Told
from accounts.told import told as _
from breeding.genetics.evaluation import Evaluation, evaluate
from breeding.genetics.ranking import places_among
from breeding.genetics.types import Floats, InputError
from breeding.models import EvaluationRun
from breeding.queries.ranking import latest_run
from breeding.queries.season_arrays import season_arrays
from breeding.services.evaluation.asking import Choices
from breeding.services.evaluation.checks import checked
from breeding.services.evaluation.data import Data, read_data, traits_asked
from breeding.services.evaluation.findings import findings_of
from breeding.services.evaluation.parameters import UsedParameters, effects_words, merit_weights, parameters_of
from breeding.services.evaluation.state import Kept, drawn, fingerprint_of, kept_of, state_keep
from breeding.services.evaluation.writing import Outcome, Places, run_write
from breeding.services.rules import local_day

#: What the kernel calls its steps.
STEPS = {
    "Relationships": _("Working out relationships"),
    "Equations": _("Solving the equations"),
    "Errors and reliabilities": _("Working out errors and reliabilities"),
    "Done": _("All values are worked out"),
}


def evaluation_job(handle: JobHandle) -> dict[str, Any]:
    """Read, work out, check, write. Run twice for one job it returns the run that is there."""
    cooperative = handle.job.cooperative
    done = EvaluationRun.objects.filter(job=handle.job).first()
    if done is not None:
        return _result(done)
    choices = Choices.of(handle.arguments)
    choices = replace(choices, last_day=choices.last_day or local_day(handle.now, cooperative))
    handle.report(JobState.READING, step=_("Reading scores"), done_share=0.0)
    traits = traits_asked(cooperative, choices)
    results = season_arrays(traits, first_day=choices.first_day, last_day=choices.last_day)
    handle.report(step=_("Reading the pedigree"), done_share=0.05)
    data = read_data(cooperative, traits, results)
    notes = list(data.notes)
    notes += [
        _("%(trait)s has no scores and took no part.") % {"trait": t.name} for t in traits if t not in data.traits
    ]
    used = parameters_of(cooperative, data.traits, choice=choices.parameters, effects=data.feasible.effects)
    notes += [*effects_words(data.feasible), used.words]
    weights = merit_weights(data.traits)
    if not len(data.reference):
        notes.append(_("No scored queen is alive: zero is the base of the pedigree."))
    handle.report(
        JobState.WORKING,
        step=_("Working out %(records)s results of %(queens)s queens")
        % {"records": len(data.rows), "queens": len(data.stock.pk)},
        done_share=0.1,
    )
    started = time.monotonic()
    fingerprint = fingerprint_of(data, used, weights)
    kept = None if choices.whole else kept_of(cooperative, data, fingerprint)
    evaluation = _evaluated(handle, data, used, weights, kept)
    seconds = time.monotonic() - started
    handle.report(JobState.CHECKING, step=_("Checking the result and the likely places"), done_share=0.85)
    notes += checked(evaluation, data)
    if kept is not None:
        notes.append(_kept_words(kept))
    draws = drawn(evaluation, data) if kept is None else kept.draws
    places = _places(evaluation, data, draws)
    findings = _carried(handle, choices)
    if not findings:
        handle.report(step=_("Holding predictions against later results"), done_share=0.9)
        findings = findings_of(evaluation, data, used, weights=weights)
    outcome = Outcome(
        choices=choices,
        evaluation=evaluation,
        data=data,
        used=used,
        weights=weights,
        places=places,
        notes=notes,
        seconds=seconds,
        findings=findings,
    )
    with transaction.atomic():
        # Holds the lease and ends this transaction if another worker has it meanwhile.
        handle.report(step=_("Writing the values"), done_share=0.95)
        run = run_write(handle.job, outcome)
        if kept is None and not choices.is_trial:
            state_keep(run, fingerprint=fingerprint, evaluation=evaluation, data=data, draws=draws)
    return _result(run)


def _evaluated(
    handle: JobHandle, data: Data, used: UsedParameters, weights: Mapping[str, float], kept: Kept | None
) -> Evaluation:
    model = data.model(used.spec)
    start: Floats | None = None
    if kept is not None and kept.unknowns is not None:
        # Levels of apiary and year stand last; whatever came or went among them starts from 0 or another's value.
        start = np.zeros(model.model.n_equations)
        held = min(len(start), kept.unknowns.size)
        start[:held] = kept.unknowns.ravel()[:held]
    try:
        return evaluate(
            data.table,
            model,
            used.spec,
            used.parameters,
            weights=weights,
            reference=data.reference,
            progress=lambda step, share: handle.report(step=STEPS[step], done_share=0.1 + 0.75 * share),
            errors=kept.errors if kept is not None else None,
            start=start,
            method=None if start is None else "iterations",
        )
    except InputError as error:
        raise Refusal(_("The data cannot be evaluated: %(error)s.") % {"error": error}, rule="input") from error


def _places(evaluation: Evaluation, data: Data, draws: Floats) -> Places:
    best, worst = places_among(evaluation.merit_drones.value[data.candidates, 0], draws)
    return Places(data.candidates, best, worst)


def _carried(handle: JobHandle, choices: Choices) -> dict[str, Any]:
    """Trend and proof of the run before, for a short run; `of` is the number of the run that worked them out."""
    before = None if choices.whole else latest_run(handle.job.cooperative)
    if before is None or not before.findings:
        return {}
    return {"of": before.number, **before.findings}


def _kept_words(kept: Kept) -> Told:
    return _(
        "Errors and the luck behind likely places are those of evaluation %(number)s: a few results more move them "
        "little. The next evaluation of the night works them out anew."
    ) % {"number": kept.number}


def _result(run: EvaluationRun) -> dict[str, Any]:
    return {"run": run.pk, "number": run.number, "queens": run.queens, "records": run.records}
