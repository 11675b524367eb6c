"""Long work: rows that a worker claims with a lease. Any worker may die at any moment; the row goes on.

The embedded worker loops over `job_claim_next`; in served mode Celery carries the id to `job_run`.
Both end here, so a job may be run twice or beside itself: the lease token decides who may write.
"""

import datetime as dt
import logging
import uuid
from collections.abc import Callable
from typing import Any

from django.conf import settings
from django.db import transaction
from django.db.models import Q, QuerySet
from django.utils import timezone
from django.utils.module_loading import import_string
from kombu.exceptions import OperationalError

from accounts.languages import speaking_to
from accounts.models import Cooperative, Job, JobState, Person
from accounts.models.job import OPEN_STATES
from accounts.refusals import Refusal
from accounts.request_id import on_behalf_of, request_id
from accounts.services.audit import audit_record
from accounts.told import Told
from accounts.told import told as _

log = logging.getLogger(__name__)

MAX_ATTEMPTS = 3


class Stopped(Exception):  # noqa: N818 - an answer to a person's wish
    """Somebody asked the job to stop."""


class LeaseLost(Exception):  # noqa: N818
    """Another worker holds this job now: nothing more may be written from here."""


class JobHandle:
    """What a handler gets: its arguments, the moment it was started at, and ways to tell how far it is."""

    def __init__(self, job: Job, token: uuid.UUID, now: dt.datetime) -> None:
        self.job = job
        self.token = token
        self.now = now

    @property
    def arguments(self) -> dict[str, Any]:
        return dict(self.job.arguments)

    def report(
        self,
        state: str | None = None,
        *,
        step: str | Told | None = None,
        done_share: float | None = None,
        best: dict[str, Any] | None = None,
    ) -> None:
        """Tell how far it is, and hold the lease for another while. Raises Stopped or LeaseLost."""
        changes: dict[str, Any] = {"lease_until": lease_from(timezone.now())}
        if state is not None:
            changes["state"] = state
        if step is not None:
            changes["step"] = step
        if done_share is not None:
            changes["done_share"] = done_share
        if best is not None:
            changes["best"] = best
        if not self._mine().update(**changes):
            raise LeaseLost
        if self.should_stop():
            raise Stopped

    def should_stop(self) -> bool:
        return self._mine().filter(stop_requested_at__isnull=False).exists()

    def _mine(self) -> QuerySet[Job]:
        return Job.objects.filter(pk=self.job.pk, lease_token=self.token, state__in=OPEN_STATES)


def lease_from(now: dt.datetime) -> dt.datetime:
    """Until when a job is held without a sign of life."""
    return now + dt.timedelta(seconds=settings.JOB_LEASE_SECONDS)


Handler = Callable[[JobHandle], dict[str, Any]]


def job_ask(
    kind: str,
    *,
    cooperative: Cooperative,
    by: Person | None,
    now: dt.datetime,
    arguments: dict[str, Any],
    key: uuid.UUID | None = None,
) -> Job:
    """Put a job in line (the same key gives the same job) and ring the bell after commit."""
    if kind not in settings.JOB_HANDLERS:
        raise ValueError(f"unknown kind of job: {kind}")
    with transaction.atomic():
        job, made = Job.objects.get_or_create(
            key=key or uuid.uuid4(),
            defaults={
                "cooperative": cooperative,
                "kind": kind,
                "arguments": arguments,
                "requested_by": by,
                "requested_at": now,
                "request_id": request_id(),
            },
        )
        if made:
            audit_record(job, action="job.ask", by=by, now=now, cooperative=cooperative, after={"kind": kind})
            transaction.on_commit(lambda: ring(job))
    return job


def job_ask_stop(job: Job, *, by: Person, now: dt.datetime) -> Job:
    """Ask it to stop; the best result so far is kept. Asking again changes nothing."""
    with transaction.atomic():
        job = Job.objects.select_for_update(of=("self",)).get(pk=job.pk)
        if not job.is_open:
            raise Refusal(_("This run has already ended."), rule="job_ended")
        if job.stop_requested_at is None:
            job.stop_requested_at = now
            job.save(update_fields=["stop_requested_at"])
            audit_record(job, action="job.stop", by=by, now=now, cooperative=job.cooperative)
    return job


def job_claim_next(*, now: dt.datetime, kinds: list[str] | None = None) -> int | None:
    """Id of an open job nobody holds, oldest first; None when there is none. Does not claim: `job_run` does."""
    waiting = Job.objects.filter(state__in=OPEN_STATES).filter(Q(lease_until__isnull=True) | Q(lease_until__lt=now))
    if kinds is not None:
        waiting = waiting.filter(kind__in=kinds)
    return waiting.order_by("requested_at", "pk").values_list("pk", flat=True).first()


def job_run(job_id: int, *, now: dt.datetime) -> bool:
    """Claim and run one job. False when somebody else holds it, it has ended, or it has failed too often."""
    asked_by = Job.objects.filter(pk=job_id).values_list("request_id", flat=True).first()
    with on_behalf_of(asked_by or f"job-{job_id}"):
        return _run(job_id, now=now)


def _run(job_id: int, *, now: dt.datetime) -> bool:
    token = uuid.uuid4()
    claimed = (
        Job.objects.filter(pk=job_id, state__in=OPEN_STATES)
        .filter(Q(lease_until__isnull=True) | Q(lease_until__lt=now))
        .update(lease_token=token, lease_until=lease_from(now))
    )
    if not claimed:
        return False
    job = Job.objects.select_related("cooperative", "requested_by").get(pk=job_id)
    if job.attempts >= MAX_ATTEMPTS:
        _stop(job, token, _("It broke off three times. Look at the log, then start it anew."))
        return False
    Job.objects.filter(pk=job_id, lease_token=token).update(attempts=job.attempts + 1, started_at=job.started_at or now)
    handler: Handler = import_string(settings.JOB_HANDLERS[job.kind])
    try:
        with speaking_to(job.requested_by, job.cooperative):
            result = handler(JobHandle(job, token, now))
    except LeaseLost:
        log.warning("job %s was taken over by another worker", job_id)
        return False
    except Stopped:
        _stop(job, token, _("Stopped on request."))
    except Refusal as refusal:
        _stop(job, token, refusal.said)
    except Exception:
        log.exception("job %s (%s) broke off", job_id, job.kind)
        _stop(job, token, _("Something in the program broke. Nothing was changed; the log says what."))
    else:
        _end(job, token, state=JobState.READY, result=result)
    return True


def _stop(job: Job, token: uuid.UUID, problem: str | Told) -> None:
    _end(job, token, state=JobState.STOPPED, problem=problem)


def _end(job: Job, token: uuid.UUID, **how: Any) -> None:
    """Ended, and told of, in one transaction. A telling that breaks never takes the result away."""
    try:
        with transaction.atomic():
            if _write_end(job, token, **how):
                import_string(settings.JOB_ENDED)(job, now=timezone.now())
    except Exception:
        log.exception("job %s (%s) has ended, but nobody was told", job.pk, job.kind)
        _write_end(job, token, **how)


def _write_end(
    job: Job, token: uuid.UUID, *, state: str, problem: str | Told = "", result: dict[str, Any] | None = None
) -> bool:
    """False when another worker holds it meanwhile: then nothing was written."""
    ended = Job.objects.filter(pk=job.pk, lease_token=token).update(
        state=state,
        problem=problem,
        result=result or {},
        finished_at=timezone.now(),
        lease_until=None,
        done_share=None,
    )
    return bool(ended)


def ring(job: Job) -> None:
    """Tell the broker, where there is one."""
    if settings.SERVED:
        ring_one(job.pk, job.kind)


def ring_one(job_id: int, kind: str) -> None:
    """A hint only: when the broker is away the sweep finds the row. By name, so that nothing here knows the tasks."""
    from config.celery import app

    try:
        app.send_task(f"accounts.run_job_{settings.JOB_QUEUES[kind]}", args=[job_id], retry=False)
    except (OperationalError, OSError):
        log.warning("the broker is away; the sweep will ring for job %s", job_id)
