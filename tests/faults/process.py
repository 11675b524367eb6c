"""Starts a real process of the installation with short figures, or with one of its guards switched off.

    python -m tests.faults.process --lease 2 --tick 0.2 [--without GUARD …] run_ticker

What follows the options is a management command, or `celery …`, `gunicorn …`, or `ring`, which rings the bell as a
request does and prints how many seconds that took. A control run without its guard must show the fault, or the test
that it stands beside would prove nothing.
"""

import argparse
import datetime as dt
import os
import sys
import time
import uuid
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace
from typing import Any


def without_locks() -> None:
    """Rows are read without a lock."""
    from django.db.models import QuerySet

    def unlocked(self: Any, *_: Any, **__: Any) -> Any:
        return self._chain()

    QuerySet.select_for_update = unlocked  # type: ignore[method-assign]


def without_marks() -> None:
    """Every worker bears the same mark, so that none knows its own rows from another's."""
    from scheduling.services import delivery

    same = uuid.UUID(int=1)
    vars(delivery)["uuid"] = SimpleNamespace(uuid4=lambda: same, UUID=uuid.UUID)


def without_lease_end() -> None:
    """A lease never runs out: nobody takes up what a dead worker held."""
    from scheduling.services import delivery

    delivery.LEASE = dt.timedelta(days=3650)


def without_lease() -> None:
    """A lease is over as soon as it begins."""
    from scheduling.services import delivery

    delivery.LEASE = dt.timedelta(seconds=-1)


def without_names() -> None:
    """Mails go by the numbers of their rows."""
    from scheduling.services.channels import message

    message.message_id = lambda delivery: f"<{delivery.pk}@broodtide>"


def without_503() -> None:
    """Whatever breaks is answered as a fault of the program."""
    from accounts.views import troubles

    setattr(troubles, "is_trouble_of_the_database", lambda error: False)  # noqa: B010 - imported there


def without_immediate() -> None:
    """A transaction of SQLite takes its lock only when it first writes."""
    from django.db import connections

    connections.settings["default"]["OPTIONS"]["transaction_mode"] = None


def without_haste() -> None:
    """Between counting the places that are left and writing a request down there is time for others."""
    from scheduling.services import bookings

    answer = bookings._answer

    def slowly(*args: Any, **more: Any) -> Any:
        found = answer(*args, **more)
        time.sleep(0.5)  # a process that has just begun is slow to bring the others here
        return found

    vars(bookings)["_answer"] = slowly


GUARDS: dict[str, Callable[[], None]] = {
    "locks": without_locks,
    "marks": without_marks,
    "lease-end": without_lease_end,
    "lease": without_lease,
    "names": without_names,
    "503": without_503,
    "immediate": without_immediate,
    "haste": without_haste,
}


def shorten(*, lease: float | None, tick: float | None, silent_after: float | None) -> None:
    """Seconds instead of minutes, so that a test need not wait."""
    from django.conf import settings

    from scheduling import middleware
    from scheduling.queries import health
    from scheduling.services import delivery

    if lease is not None:
        delivery.LEASE = dt.timedelta(seconds=lease)
        delivery.PAUSES = [dt.timedelta(seconds=lease)] * len(delivery.PAUSES)
    if tick is not None:
        settings.TICK_SECONDS = tick
        settings.CELERY_BEAT_SCHEDULE["deliver-due"]["schedule"] = tick
    if silent_after is not None:
        health.HEARTBEAT_MAX_AGE = dt.timedelta(seconds=silent_after)
        middleware.LOOK_SECONDS = silent_after / 2


def begin_at(moment: dt.datetime) -> None:
    """The program's clock starts at a moment of another season, and runs on."""
    from django.utils import timezone

    real, began = timezone.now, timezone.now()
    timezone.now = lambda: moment + (real() - began)


def shut(file: Path) -> None:
    """What SQLite is told at each connection, while there is such a file: that its own must not grow, or may only be
    read. Each request and each tick then has a connection of its own."""
    from django.db import connections
    from django.db.backends.signals import connection_created

    connections.settings["default"]["CONN_MAX_AGE"] = 0

    def tell(connection: Any, **_: Any) -> None:
        if file.exists():
            with connection.cursor() as cursor:
                cursor.execute(f"PRAGMA {file.read_text()}")

    connection_created.connect(tell, weak=False)


def run(command: list[str]) -> None:
    if command[0] == "celery":
        from config.celery import app

        app.start(command[1:])
    elif command[0] == "gunicorn":
        from gunicorn.app.wsgiapp import run as serve

        sys.argv = command
        serve()
    elif command[0] == "ring":
        from accounts.services.jobs import ring_one

        began = time.monotonic()
        ring_one(1, "plan")
        print(f"{time.monotonic() - began:.2f}")
    else:
        from django.core.management import call_command

        call_command(*command)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--lease", type=float)
    parser.add_argument("--tick", type=float)
    parser.add_argument("--silent-after", type=float)
    parser.add_argument("--now", type=dt.datetime.fromisoformat)
    parser.add_argument("--pragma-file", type=Path)
    parser.add_argument("--without", action="append", default=[], choices=sorted(GUARDS))
    parser.add_argument("command", nargs=argparse.REMAINDER)
    chosen = parser.parse_args()
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")
    import django

    django.setup()
    shorten(lease=chosen.lease, tick=chosen.tick, silent_after=chosen.silent_after)
    if chosen.now:
        begin_at(chosen.now)
    if chosen.pragma_file:
        shut(chosen.pragma_file)
    for guard in chosen.without:
        GUARDS[guard]()
    run(chosen.command)


if __name__ == "__main__":
    main()
