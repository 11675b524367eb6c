"""What a run leaves for the next: joint draws of the errors, errors and solutions, as long as they still hold.

Errors depend on the pedigree, the variances and which colonies have results, not on the results themselves. A few
results more move them little, and downwards: shown unchanged they promise nothing. With another pedigree, other
variances or many results more, nothing is taken over.
"""

import hashlib
import io
from dataclasses import dataclass

import numpy as np

from accounts.models import Cooperative
from breeding.genetics.colony_errors import ColonyErrors
from breeding.genetics.evaluation import Evaluation
from breeding.genetics.ranking import drawn_errors
from breeding.genetics.types import Floats, Ints
from breeding.models import EvaluationRun, EvaluationState
from breeding.services.evaluation.data import Data
from breeding.services.evaluation.parameters import UsedParameters

DRAWS, FEWER_DRAWS = 500, 200
DRAWS_FOR_ALL = 5_000  # candidates up to which all draws are made
PLACE_SEED = 20_260_101
# Queens from which working out the errors anew takes longer than anybody waits.
MANY_QUEENS = 30_000
# Results that may be new or gone before errors count as another evaluation's: this many, or this share.
FEW_CHANGES, SHARE_CHANGED = 60, 0.01


@dataclass(frozen=True, eq=False)
class Kept:
    """What the next run may take over.

    number : of the run that worked it out. candidates : rows; draws : (n_candidates, draws), of the merit's error.
    errors, unknowns : only where there are many queens.
    """

    number: int
    candidates: Ints
    draws: Floats
    errors: ColonyErrors | None = None
    unknowns: Floats | None = None


def kept_of(cooperative: Cooperative, data: Data, fingerprint: str) -> Kept | None:
    """What the last run left, if it still holds for these data."""
    state = (
        EvaluationState.objects.filter(cooperative=cooperative, fingerprint=fingerprint).select_related("run").first()
    )
    if state is None:
        return None
    with np.load(io.BytesIO(state.arrays)) as held:
        design, now = held["design"], design_of(data)
        changed = len(np.setxor1d(design, now, assume_unique=True))
        if changed > max(FEW_CHANGES, SHARE_CHANGED * len(now)):
            return None
        if not np.isin(data.candidates, held["candidates"]).all():
            return None
        at = np.searchsorted(held["candidates"], data.candidates)
        draws = held["draws"].astype(np.float32)[at] * held["scale"]
        errors = None
        if "error_cell" in held:
            errors = ColonyErrors(*(held[f"error_{name}"] for name in ("cell", "queen", "cross", "drones")))
        unknowns = held.get("unknowns")
    return Kept(state.run.number, data.candidates, draws, errors, unknowns)


def drawn(evaluation: Evaluation, data: Data) -> Floats:
    """Joint draws of the errors of the candidates' merit, (n_candidates, draws)."""
    assert evaluation.prediction is not None
    assert evaluation.merit_weights is not None
    return drawn_errors(
        evaluation.prediction,
        evaluation.merit_weights,
        data.candidates,
        rng=np.random.default_rng(PLACE_SEED),
        draws=DRAWS if len(data.candidates) <= DRAWS_FOR_ALL else FEWER_DRAWS,
    )


def state_keep(run: EvaluationRun, *, fingerprint: str, evaluation: Evaluation, data: Data, draws: Floats) -> None:
    """Replace the cooperative's state. Inside the transaction that writes the run."""
    scale = np.float32(np.abs(draws).max(initial=0.0) or 1.0)
    arrays: dict[str, object] = {
        "design": design_of(data),
        "candidates": data.candidates,
        "draws": (draws / scale).astype(np.float16),
        "scale": scale,
    }
    if len(data.stock.pk) >= MANY_QUEENS and evaluation.prediction is not None:
        errors = evaluation.prediction.errors
        arrays |= {f"error_{name}": getattr(errors, name) for name in ("cell", "queen", "cross", "drones")}
        arrays["unknowns"] = evaluation.prediction.fit.z
    held = io.BytesIO()
    np.savez(held, **arrays)  # type: ignore[arg-type]
    EvaluationState.objects.update_or_create(
        cooperative=run.cooperative,
        defaults={"run": run, "fingerprint": fingerprint, "arrays": held.getvalue()},
    )


def design_of(data: Data) -> Ints:
    """Which trait of which queen has a result in which year; sorted keys without repeats."""
    n_traits = len(data.results.trait_keys)
    row, trait = np.nonzero(np.isfinite(data.results.values))
    return np.unique((data.rows[row] * 10_000 + data.results.year[row]) * n_traits + trait)


def fingerprint_of(data: Data, used: UsedParameters, weights: dict[str, float]) -> str:
    """Of everything but results that errors depend on: queens and pedigree, traits, model, variances, weights."""
    plan = data.stock.plan
    made = hashlib.sha256(repr((data.results.trait_keys, used.spec, sorted(weights.items()))).encode())
    matrices = [used.parameters.G0, used.parameters.R0, used.parameters.permanent]
    entities = [plan.kind, plan.dam, plan.count, plan.station, plan.set_of, plan.source_drones]
    shares = [plan.sources.start, plan.sources.index, plan.sources.weight]
    for array in (data.stock.pk, *entities, *shares, *matrices):
        made.update(b"-" if array is None else np.ascontiguousarray(array).tobytes())
    return made.hexdigest()
