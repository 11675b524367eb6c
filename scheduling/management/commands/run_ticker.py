"""The minute sweep: tells what is due, every few seconds, until it is told to stop."""

import logging
import signal
import threading
from argparse import ArgumentParser
from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand
from django.db import DatabaseError, close_old_connections

from scheduling.services.delivery import database_now, deliver_due

log = logging.getLogger(__name__)


class Command(BaseCommand):
    help = "Tell people what is due. Any number of copies may run."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--once", action="store_true", help="One tick, then end.")

    def handle(self, *args: Any, **options: Any) -> None:
        stop = threading.Event()
        for number in (signal.SIGTERM, signal.SIGINT):
            signal.signal(number, lambda *_: stop.set())
        while not stop.is_set():
            close_old_connections()
            try:
                full = deliver_due(now=database_now()) >= 200
            except DatabaseError:
                log.exception("a tick broke off; the next one goes on with the same rows")
                full = False
            if options["once"]:
                return
            stop.wait(0 if full else settings.TICK_SECONDS)
