"""Which variances evaluations use: decided by a person, one row for each decision, the latest counts."""

import datetime as dt
from collections.abc import Sequence

from django.db import transaction
from django.utils.translation import gettext as _

from accounts.models import Cooperative, Person
from accounts.refusals import Refusal
from accounts.services.audit import audit_record
from breeding.models import VarianceAdoption, VarianceEstimate
from breeding.queries.variances import adoption_in_use, usable_keys


def variances_adopt(
    cooperative: Cooperative,
    *,
    estimate: VarianceEstimate | None,
    traits: Sequence[str] = (),
    seen: int | None,
    by: Person,
    now: dt.datetime,
) -> VarianceAdoption | None:
    """Use an estimate for some of its traits, or (without one) the starting values again.

    seen : the adoption in use that the person saw, None for none; another one meanwhile is a refusal.
    Returns the adoption in use, None while the starting values were never left. Asking twice changes nothing.
    """
    keys = sorted(set(traits)) if estimate is not None else []
    if estimate is not None:
        _check(cooperative, estimate, keys)
    with transaction.atomic():
        Cooperative.objects.select_for_update(of=("self",)).get(pk=cooperative.pk)
        current = adoption_in_use(cooperative)
        if _same(current, estimate, keys):
            return current
        if (current.pk if current else None) != seen:
            raise Refusal(
                _("Somebody chose other variances meanwhile. Look at what is in use now, then choose again."),
                rule="changed_meanwhile",
            )
        adoption = VarianceAdoption.objects.create(
            cooperative=cooperative, estimate=estimate, traits=keys, adopted_at=now, adopted_by=by
        )
        audit_record(
            adoption,
            action="variances.adopt",
            by=by,
            now=now,
            cooperative=cooperative,
            before=_told(current),
            after=_told(adoption),
        )
    return adoption


def _check(cooperative: Cooperative, estimate: VarianceEstimate, keys: Sequence[str]) -> None:
    if estimate.cooperative_id != cooperative.pk:
        raise Refusal(_("That estimate belongs to another cooperative."), rule="estimate_unknown")
    if not keys:
        raise Refusal(
            _("Choose at least one trait, or go back to the starting values."), field="traits", rule="no_traits"
        )
    if not set(keys) <= set(usable_keys(estimate)):
        raise Refusal(
            _("Only traits whose variances could be estimated can be adopted. Choose among those offered."),
            field="traits",
            rule="not_usable",
        )


def _same(current: VarianceAdoption | None, estimate: VarianceEstimate | None, keys: Sequence[str]) -> bool:
    if current is None:
        return estimate is None
    return current.estimate_id == (estimate.pk if estimate else None) and list(current.traits) == list(keys)


def _told(adoption: VarianceAdoption | None) -> dict[str, object]:
    if adoption is None or adoption.estimate is None:
        return {"estimate": None, "traits": []}
    return {"estimate": adoption.estimate.number, "traits": list(adoption.traits)}
