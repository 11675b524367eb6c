"""Embedded worker: runs open jobs one after another, until it is told to stop."""

import logging
import signal
import threading
from argparse import ArgumentParser
from typing import Any

from django.core.management.base import BaseCommand
from django.db import DatabaseError, close_old_connections
from django.utils import timezone

from accounts.services.jobs import job_claim_next, job_run

log = logging.getLogger(__name__)


class Command(BaseCommand):
    help = "Run long work (plans, evaluations) from the job table."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--once", action="store_true", help="Run what is open now, then end.")

    def handle(self, *args: Any, **options: Any) -> None:
        stop = threading.Event()
        for number in (signal.SIGTERM, signal.SIGINT):
            signal.signal(number, lambda *_: stop.set())
        while not stop.is_set():
            close_old_connections()
            if not self._ran_one():
                if options["once"]:
                    return
                stop.wait(1.0)

    def _ran_one(self) -> bool:
        """False when nothing was open. A database that is busy or away ends no worker: the row goes on."""
        now = timezone.now()
        try:
            job_id = job_claim_next(now=now)
            if job_id is None:
                return False
            job_run(job_id, now=now)
            return True
        except DatabaseError:
            log.exception("a job broke off; it is taken up again when its lease has ended")
            return False
