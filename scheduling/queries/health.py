"""Is everything there that work needs? Each answer is a sentence for whoever looks after the machine."""

import datetime as dt
import logging

from django.db import DatabaseError, connection
from django.db.migrations.executor import MigrationExecutor
from django.db.models import Max

from scheduling.models import Heartbeat

log = logging.getLogger(__name__)

HEARTBEAT_MAX_AGE = dt.timedelta(seconds=60)


def health_problems(*, now: dt.datetime) -> list[str]:
    """What is wrong, worst first; empty when all is well."""
    try:
        executor = MigrationExecutor(connection)
        missing = executor.migration_plan(executor.loader.graph.leaf_nodes())
        if missing:
            return [f"The database lacks {len(missing)} migrations. Run manage.py migrate."]
        return heartbeat_problems(now=now)
    except DatabaseError:
        log.exception("the database does not answer")
        return ["The database does not answer. The log says why."]


def heartbeat_problems(*, now: dt.datetime) -> list[str]:
    last = Heartbeat.objects.aggregate(last=Max("at"))["last"]
    if last is None:
        return ["The minute sweep has never run, so no reminder goes out. Start the beat and a worker."]
    age = now - last
    if age > HEARTBEAT_MAX_AGE:
        return [
            f"The minute sweep last ran {age.total_seconds():.0f} seconds ago, so reminders are late. "
            "Look at the beat and the mail worker."
        ]
    return []
