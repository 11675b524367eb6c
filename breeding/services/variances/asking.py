"""Asking for an estimate of the variances. Loads no kernel, so any page may import it."""

import datetime as dt
import uuid

from django.db import transaction

from accounts.models import Cooperative, Job, Person
from accounts.services.jobs import job_ask
from breeding.queries.variances import KIND, open_estimate_job
from breeding.services.rules import local_day


def estimate_ask(
    cooperative: Cooperative,
    *,
    by: Person | None,
    now: dt.datetime,
    together: bool = False,
    key: uuid.UUID | None = None,
) -> Job:
    """Put an estimate in line; while one is open, that one is returned.

    together : also the correlations between traits, which need far more data.
    """
    arguments = {"records_until": local_day(now, cooperative).isoformat(), "together": together}
    with transaction.atomic():
        Cooperative.objects.select_for_update(of=("self",)).get(pk=cooperative.pk)
        running = open_estimate_job(cooperative)
        if running is not None:
            return running
        return job_ask(KIND, cooperative=cooperative, by=by, now=now, arguments=arguments, key=key)
