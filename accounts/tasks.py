"""Celery tasks of long work: they carry ids, the rows are the truth."""

from celery import shared_task
from django.utils import timezone

from accounts.models import Job
from accounts.models.job import OPEN_STATES
from accounts.services.jobs import job_run, ring_one
from accounts.services.webhook_delivery import webhooks_deliver


@shared_task(name="accounts.run_job_evaluation")
def run_job_evaluation(job_id: int) -> None:
    job_run(job_id, now=timezone.now())


@shared_task(name="accounts.run_job_planning")
def run_job_planning(job_id: int) -> None:
    job_run(job_id, now=timezone.now())


@shared_task(name="accounts.webhooks_deliver")
def webhooks_deliver_task() -> None:
    webhooks_deliver(now=timezone.now())


@shared_task(name="accounts.ring_jobs")
def ring_jobs() -> None:
    """Ring again for open jobs that nobody holds: a lost message loses nothing."""
    now = timezone.now()
    for job_id, kind, lease_until in Job.objects.filter(state__in=OPEN_STATES).values_list("pk", "kind", "lease_until"):
        if lease_until is None or lease_until < now:
            ring_one(job_id, kind)
