"""What the data can carry, and whether a result can be right; all of it in words."""

from collections.abc import Sequence

import numpy as np
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from accounts.refusals import Refusal
from breeding.genetics.evaluation import Evaluation
from breeding.genetics.pedigree import Pedigree
from breeding.models import Trait
from breeding.queries.connection import FACTOR, connection_of
from breeding.queries.records import RecordSet

LARGEST_RESIDUAL = 1e-6
NAMED_AT_MOST = 6
ENOUGH_RESULTS = 30  # for a word of warning only; our choice


def evaluable(pedigree: Pedigree, read: RecordSet) -> tuple[RecordSet, list[str]]:
    """What the data can carry: refused without scores or without a common base, else what is left out, in words."""
    notes = list(read.notes)
    if not read.records:
        raise Refusal(
            _("There are no scores in that period. Enter scores for some colonies, then start again."),
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


def _listed(names: Sequence[str]) -> str:
    shown = ", ".join(names[:NAMED_AT_MOST])
    more = len(names) - NAMED_AT_MOST
    if more <= 0:
        return shown
    return ngettext("%(shown)s and %(more)s more", "%(shown)s and %(more)s more", more) % {"shown": shown, "more": more}
