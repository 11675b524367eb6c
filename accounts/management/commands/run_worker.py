"""Embedded worker: runs open jobs one after another, until it is told to stop."""

import signal
import threading
from argparse import ArgumentParser
from typing import Any

from django.core.management.base import BaseCommand
from django.db import close_old_connections
from django.utils import timezone

from accounts.services.jobs import job_claim_next, job_run


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
            now = timezone.now()
            job_id = job_claim_next(now=now)
            if job_id is None:
                if options["once"]:
                    return
                stop.wait(1.0)
            else:
                job_run(job_id, now=now)
