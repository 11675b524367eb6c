"""Estimated variances: which are in use, which can be adopted, and the work on new ones."""

from django.db.models import QuerySet

from accounts.models import Cooperative, Job
from accounts.models.job import OPEN_STATES
from breeding.models import VarianceAdoption, VarianceEstimate

KIND = "estimate"
# How the search for a trait's variances ended; only the first can be adopted.
ESTIMABLE, EDGE, NOT_APART, NOT_CONVERGED, FEW, FLAT = "estimable", "edge", "not_apart", "not_converged", "few", "flat"


def estimates_of(cooperative: Cooperative) -> QuerySet[VarianceEstimate]:
    return VarianceEstimate.objects.filter(cooperative=cooperative)


def adoption_in_use(cooperative: Cooperative) -> VarianceAdoption | None:
    """The latest decision; None while nobody has decided, and the starting values count."""
    return decisions_of(cooperative).first()


def decisions_of(cooperative: Cooperative) -> QuerySet[VarianceAdoption]:
    """Who chose which variances and when, latest first."""
    return VarianceAdoption.objects.filter(cooperative=cooperative).select_related("estimate", "adopted_by")


def usable_keys(estimate: VarianceEstimate) -> list[str]:
    """Traits whose estimates an evaluation can use."""
    return [key for key, found in estimate.traits.items() if found["status"] == ESTIMABLE]


def open_estimate_job(cooperative: Cooperative) -> Job | None:
    return estimate_jobs_of(cooperative).filter(state__in=OPEN_STATES).first()


def estimate_jobs_of(cooperative: Cooperative) -> QuerySet[Job]:
    return Job.objects.filter(cooperative=cooperative, kind=KIND).select_related("cooperative")
