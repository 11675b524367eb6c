"""The work of one estimate: read, search trait by trait, write whole or not at all."""

import datetime as dt
import time
from typing import Any

from django.db import transaction
from django.db.models import Max
from django.utils import timezone

from accounts.models import Cooperative, JobState
from accounts.refusals import Refusal
from accounts.services.audit import audit_record
from accounts.services.jobs import JobHandle
from accounts.told import Told
from accounts.told import told as _
from breeding.genetics.types import InputError
from breeding.models import Trait, VarianceEstimate
from breeding.queries.pedigree import pedigree_of_cooperative
from breeding.queries.records import record_set
from breeding.queries.season_arrays import season_arrays
from breeding.queries.variances import FEW
from breeding.services.evaluation.data import read_data
from breeding.services.variances.findings import Found, Tell, matrices_of, together_found, trait_found


def estimate_job(handle: JobHandle) -> dict[str, Any]:
    """Run twice for one job it returns the estimate that is there."""
    cooperative = handle.job.cooperative
    done = VarianceEstimate.objects.filter(job=handle.job).first()
    if done is not None:
        return _result(done)
    until = dt.date.fromisoformat(handle.arguments["records_until"])
    handle.report(JobState.READING, step=_("Reading scores and pedigree"), done_share=0.0)
    traits = list(Trait.objects.filter(cooperative=cooperative, in_evaluation=True))
    pedigree = pedigree_of_cooperative(cooperative)
    data = read_data(cooperative, traits, season_arrays(traits, last_day=until))
    records = record_set(cooperative, data.results).records
    started = time.monotonic()
    wants_together = bool(handle.arguments.get("together"))
    parts = len(traits) + (2 if wants_together else 0)
    found: dict[str, Found] = {}
    together: dict[str, Any] = {}
    try:
        for position, trait in enumerate(traits):
            tell = _teller(
                handle, _("Searching the variances of %(trait)s") % {"trait": str(trait)}, position, 1, parts
            )
            found[trait.key] = trait_found(pedigree, records, trait, tell)
        if all(one.kept["status"] == FEW for one in found.values()):
            raise Refusal(
                _("No trait has %(number)s results yet. Score more colonies, then start again.")
                % {"number": next(one.kept["needed"] for one in found.values())},
                rule="few_results",
            )
        if wants_together:
            tell = _teller(handle, _("Searching the correlations between traits"), len(traits), 2, parts)
            together, again = together_found(pedigree, records, found, tell)
            found |= again
    except InputError as error:
        raise Refusal(_("The data cannot be used: %(error)s.") % {"error": error}, rule="input") from error
    seconds = time.monotonic() - started
    joint = [key for key in together.get("traits", []) if "r" in together]
    with transaction.atomic():
        # Holds the lease and ends this transaction if another worker has it meanwhile.
        handle.report(JobState.CHECKING, step=_("Writing the estimates"), done_share=0.98)
        Cooperative.objects.select_for_update(of=("self",)).get(pk=cooperative.pk)
        number = VarianceEstimate.objects.filter(cooperative=cooperative).aggregate(n=Max("number"))["n"] or 0
        now = timezone.now()
        estimate = VarianceEstimate.objects.create(
            cooperative=cooperative,
            number=number + 1,
            job=handle.job,
            made_at=now,
            records_until=until,
            queens=len(pedigree.queens),
            records=len(records),
            traits={key: one.kept for key, one in found.items()},
            matrices=matrices_of(found, joint),
            together=together,
            notes=list(data.notes),
            seconds=round(seconds, 3),
        )
        audit_record(
            estimate,
            action="variances.estimated",
            by=handle.job.requested_by,
            now=now,
            cooperative=cooperative,
            after={"number": estimate.number, "records": estimate.records, "until": until},
        )
    return _result(estimate)


def _teller(handle: JobHandle, step: Told, position: int, width: int, parts: int) -> Tell:
    def tell(part: float) -> None:
        handle.report(JobState.WORKING, step=step, done_share=0.05 + 0.9 * (position + width * part) / parts)

    tell(0.0)
    return tell


def _result(estimate: VarianceEstimate) -> dict[str, Any]:
    return {"estimate": estimate.pk, "number": estimate.number}
