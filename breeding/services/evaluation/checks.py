"""Whether a result can be right, in words."""

import numpy as np
from django.utils.translation import gettext as _

from accounts.refusals import Refusal
from breeding.genetics.evaluation import Evaluation
from breeding.services.evaluation.data import Data

LARGEST_RESIDUAL = 1e-6
ENOUGH_RESULTS = 30  # for a word of warning only; our choice


def checked(evaluation: Evaluation, data: Data) -> list[str]:
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
    counts = np.isfinite(data.results.values).sum(axis=0).tolist()
    few = [str(trait) for trait, count in zip(data.traits, counts, strict=True) if count < ENOUGH_RESULTS]
    if few:
        notes.append(
            _("Fewer than %(number)s results: %(traits)s. Values stay close to zero.")
            % {"number": ENOUGH_RESULTS, "traits": ", ".join(few)}
        )
    return [*notes, *evaluation.notes]
