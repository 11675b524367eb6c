"""The minute sweep: tells what is due, every few seconds, until it is told to stop."""

import datetime as dt
import logging
import signal
import threading
from argparse import ArgumentParser
from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand
from django.db import DatabaseError, close_old_connections

from breeding.services.evaluation.nightly import nightly_ask
from scheduling.services.delivery import database_now, deliver_due

log = logging.getLogger(__name__)
NIGHTLY_EVERY = dt.timedelta(minutes=10)


class Command(BaseCommand):
    help = "Tell people what is due. Any number of copies may run."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--once", action="store_true", help="One tick, then end.")

    def handle(self, *args: Any, **options: Any) -> None:
        stop = threading.Event()
        for number in (signal.SIGTERM, signal.SIGINT):
            signal.signal(number, lambda *_: stop.set())
        asked: dt.datetime | None = None
        while not stop.is_set():
            close_old_connections()
            try:
                now = database_now()
                full = deliver_due(now=now) >= 200
                if not full and (asked is None or now - asked >= NIGHTLY_EVERY):
                    nightly_ask(now=now)
                    asked = now
            except DatabaseError:
                log.exception("a tick broke off; the next one goes on with the same rows")
                full = False
            if options["once"]:
                return
            stop.wait(0 if full else settings.TICK_SECONDS)
