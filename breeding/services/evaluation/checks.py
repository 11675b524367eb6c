"""Whether a result can be right, in words."""

from decimal import Decimal

import numpy as np

from accounts.refusals import Refusal
from accounts.told import Told
from accounts.told import told as _
from breeding.genetics.evaluation import AGAIN, ITERATED, METHOD, Evaluation
from breeding.services.evaluation.data import Data

LARGEST_RESIDUAL = 1e-6
METHODS = {
    METHOD: _("absorbed equations, sparse Cholesky, exact inverse elements"),
    ITERATED: _("absorbed equations, preconditioned conjugate gradients, reliabilities by drawing"),
    AGAIN: _("absorbed equations, preconditioned conjugate gradients, errors of an earlier evaluation"),
}
ENOUGH_RESULTS = 30  # for a word of warning only; our choice


def checked(evaluation: Evaluation, data: Data) -> list[Told]:
    """Refuse a result that cannot be right; say in words what was checked."""
    residual = evaluation.solver.relative_residual
    if not residual <= LARGEST_RESIDUAL:
        raise Refusal(
            _("The equations were not solved exactly enough (%(residual)s). Nothing was changed.")
            % {"residual": f"{residual:.1e}"},
            rule="residual",
        )
    if not (np.isfinite(evaluation.total.value).all() and np.isfinite(evaluation.merit_drones.value).all()):
        raise Refusal(_("Some values are not numbers. Nothing was changed."), rule="not_finite")
    reliability = evaluation.merit_drones.reliability
    if (reliability < -1e-6).any() or (reliability > 1 + 1e-6).any():
        raise Refusal(_("Some reliabilities lie outside 0 to 1. Nothing was changed."), rule="reliability")
    notes = [
        _("Solved by %(method)s to a relative residual of %(residual)s.")
        % {"method": METHODS[evaluation.solver.method], "residual": f"{residual:.0e}"},
        _("All reliabilities lie between 0 and 1; the best is %(best)s.")
        % {"best": Decimal(f"{reliability.max():.2f}")},
    ]
    counts = np.isfinite(data.results.values).sum(axis=0).tolist()
    few = [str(trait) for trait, count in zip(data.traits, counts, strict=True) if count < ENOUGH_RESULTS]
    if few:
        notes.append(
            _("Fewer than %(number)s results: %(traits)s. Values stay close to zero.")
            % {"number": ENOUGH_RESULTS, "traits": ", ".join(few)}
        )
    error = evaluation.prediction.reliability_rmse if evaluation.prediction else None
    if error is not None:
        notes.append(
            _("Reliabilities were worked out by drawing; their expected error is %(error)s.")
            % {"error": Decimal(f"{error:.3f}")}
        )
    return notes
