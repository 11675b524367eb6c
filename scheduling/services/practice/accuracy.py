"""How well the evaluation finds the practice stock's true values, which are known because its genes were simulated."""

from dataclasses import dataclass

import numpy as np

from accounts.models import AuditEntry, Cooperative
from breeding.models import EvaluationRun, Merit

MADE = "practice.make"


@dataclass(frozen=True)
class Accuracy:
    """Correlation of true and estimated merit over `queens` queens that were tested themselves."""

    correlation: float
    queens: int


def true_merit(cooperative: Cooperative) -> dict[str, float]:
    """True merit (genetic SD, own genes) by the queen's label, as kept with the making of the practice season."""
    entry = AuditEntry.objects.filter(cooperative=cooperative, action=MADE).order_by("pk").first()
    return dict(entry.after["true_merit"]) if entry is not None else {}


def accuracy_of(run: EvaluationRun) -> Accuracy | None:
    """None when the truth is not known, or too few queens were tested to say anything."""
    truth = true_merit(run.cooperative)
    merits = Merit.objects.filter(run=run, queen__label__in=truth, queen__trait_values__records__gt=0).distinct()
    pairs = [(truth[label], merit) for label, merit in merits.values_list("queen__label", "merit")]
    if len(pairs) < 3:
        return None
    true, estimated = zip(*pairs, strict=True)
    return Accuracy(float(np.corrcoef(true, estimated)[0, 1]), len(pairs))
