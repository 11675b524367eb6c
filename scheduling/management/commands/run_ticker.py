"""The minute sweep: tells what is due, every few seconds, until it is told to stop."""

import datetime as dt
import logging
import signal
import threading
from argparse import ArgumentParser
from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand
from django.db import DatabaseError, close_old_connections, connections

from accounts import outgoing
from accounts.beside import Beside
from accounts.services.api_answers import answers_forget
from accounts.services.statistics import statistics_count
from accounts.services.webhook_delivery import webhooks_deliver
from breeding.services.evaluation.nightly import nightly_ask
from breeding.services.labels import labels_fill
from scheduling.services import outward_ping
from scheduling.services.delivery import database_now, deliver_all_due
from scheduling.services.summary import summaries_write
from scheduling.services.zone_data import reminders_rederive

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
        webhooks = Beside("webhooks", webhooks_sweep)
        while not stop.is_set():
            close_old_connections()
            try:
                deliver_all_due(go_on=lambda: not (stop.is_set() or options["once"]))
                now = database_now()
                if options["once"]:
                    webhooks_deliver(now=now)
                else:
                    webhooks.begin()
                if not stop.is_set() and (asked is None or now - asked >= NIGHTLY_EVERY):
                    nightly_ask(now=now)
                    reminders_rederive(now=now)
                    summaries_write(now=now)
                    answers_forget(now=now)
                    labels_fill()
                    statistics_count()
                    asked = now
            except DatabaseError:
                log.exception("a tick broke off; the next one goes on with the same rows")
            if options["once"]:
                outward_ping.PING.wait(outgoing.SECONDS)
                return
            stop.wait(settings.TICK_SECONDS)
        webhooks.wait(outgoing.SECONDS)


def webhooks_sweep() -> None:
    """In a thread of its own: a receiver that hangs holds up no reminder."""
    try:
        webhooks_deliver(now=database_now())
    except DatabaseError:
        log.exception("webhooks broke off; the next tick goes on with the same rows")
    finally:
        connections.close_all()
