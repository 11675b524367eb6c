"""How late reminders go out when very many are due in one minute, seen from a mail server on this machine.

    python -m benchmarks.reminders --server postgres://postgres@127.0.0.1:5432/postgres [--rows 100000] [--via batch]
    python -m benchmarks.reminders --rows 10000 --tickers 1        # SQLite

Real sweeps (`manage.py run_ticker`), as many as asked for, against a database that is made for it and dropped.
Lateness is counted from the moment a reminder is due to the moment the server wrote its mail down. `--via mail`:
SMTP, one call each; `--via batch`: a provider that takes 100 in one call over HTTP. Measured, not asserted. Needs the
packages of the tests.
"""

import argparse
import json
import os
import statistics
import sys
import tempfile
import threading
import time
import urllib.request
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any, Protocol

from tests.faults.seed import address_of, title_of
from tests.faults.sink import Sink, Taken
from tests.faults.site import Site, own_database
from tests.processes import Started, started, wait_until

PEOPLE = 500
PER_CALL = 100
SEEDED_PER_SECOND = 2_500  # a cautious guess: the minute must not begin before all rows are there


class Book(Protocol):
    taken: list[Taken]
    connections: int


class BatchServer:
    """Takes many messages in one call, as the interfaces of mail providers do."""

    def __init__(self) -> None:
        self.taken: list[Taken] = []
        self.connections = 0
        book = self

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                messages = json.loads(self.rfile.read(int(self.headers["Content-Length"])))
                now = time.time()
                book.connections += 1
                book.taken += [Taken(one["id"], one["to"], one["subject"], now) for one in messages]
                self.send_response(200)
                self.end_headers()

            def log_message(self, *_: object) -> None:
                """Quiet."""

        self._server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.port = int(self._server.server_address[1])

    def __enter__(self) -> "BatchServer":
        threading.Thread(target=self._server.serve_forever, daemon=True).start()
        return self

    def __exit__(self, *_: object) -> None:
        self._server.shutdown()
        self._server.server_close()


class BatchProvider:
    """Writes each mail in full and hands a hundred over in one call."""

    batch = PER_CALL

    def send(self, deliveries: Sequence[Any]) -> list[Exception | None]:
        from django.utils import timezone

        from scheduling.services.channels.message import mail_of

        messages = []
        for delivery in deliveries:
            mail = mail_of(delivery, now=timezone.now())
            head = {"id": mail.extra_headers["Message-ID"], "to": mail.to[0], "subject": mail.subject}
            messages.append(head | {"text": mail.body, "html": str(mail.alternatives[0][0])})
        request = urllib.request.Request(
            f"http://127.0.0.1:{os.environ['BATCH_PORT']}/", data=json.dumps(messages).encode(), method="POST"
        )
        with urllib.request.urlopen(request, timeout=15):
            return [None] * len(deliveries)

    def close(self) -> None:
        """Nothing is kept open."""


def sweep(via: str) -> None:
    """A process that sweeps until it is ended: the real command, with the provider chosen."""
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")
    import django

    django.setup()
    if via == "batch":
        from accounts.models import Channel
        from scheduling.services import channels

        channels.PROVIDERS[Channel.MAIL] = BatchProvider
    from django.core.management import call_command

    call_command("run_ticker")


@contextmanager
def sweeping(site: Site, via: str, tickers: int) -> Iterator[list[Started]]:
    command = [sys.executable, "-m", "benchmarks.reminders", "--sweep", "--via", via]
    with ExitStack() as stack:
        yield [stack.enter_context(started(command, env=site.environment)) for _ in range(tickers)]


def measure(site: Site, book: Book, chosen: argparse.Namespace) -> None:
    ahead = chosen.ahead + chosen.rows / SEEDED_PER_SECOND
    site.seed(chosen.rows, people=PEOPLE, from_now=ahead, over=chosen.over, kind=chosen.kind)
    due = dict(site.rows(DUE_OF[bool(site.url)]))
    first = min(due.values())
    print(f"  {len(due)} reminders written, {first - time.time():.0f} s before the first is due")
    load = os.getloadavg()[0]
    with sweeping(site, chosen.via, chosen.tickers) as sweeps:
        deadline = first + chosen.over + chosen.patience
        wait_until(
            lambda: len(book.taken) >= chosen.rows or time.time() > deadline,
            seconds=ahead + chosen.over + chosen.patience + 10,
            of=sweeps,
        )
    report(book, due, people=PEOPLE, load=load)


DUE_OF = {
    True: "SELECT title, extract(epoch FROM due_at)::float8 FROM scheduling_reminder WHERE title LIKE 'Step %'",
    False: "SELECT title, (julianday(due_at) - 2440587.5) * 86400.0 FROM scheduling_reminder WHERE title LIKE 'Step %'",
}


def report(book: Book, due: dict[str, float], *, people: int, load: float) -> None:
    first_seen: dict[str, float] = {}
    for one in book.taken:
        first_seen.setdefault(one.subject, one.at)
    late = sorted(at - due[subject] for subject, at in first_seen.items())
    ids = {(one.message_id, one.to) for one in book.taken}
    wanted = {(address_of(number, people), title_of(number)) for number in range(len(due))}
    lost = wanted - {(one.to, one.subject) for one in book.taken}
    took = max(one.at for one in book.taken) - min(due.values())
    cuts = statistics.quantiles(late, n=100)
    print(f"  late by: half {cuts[49]:.1f} s, p99 {cuts[98]:.1f} s, most {late[-1]:.1f} s")
    print(f"  all out {took:.0f} s after the first was due: {len(late) / took:.0f} a second")
    print(f"  lost {len(lost)}, doubled {len(ids) - len(first_seen)}, repeated {len(book.taken) - len(ids)}")
    print(f"  {book.connections} connections; load of the machine {load:.1f} before, {os.getloadavg()[0]:.1f} after")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--rows", type=int, default=100_000)
    parser.add_argument("--over", type=float, default=60.0, help="seconds in which they are due")
    parser.add_argument("--ahead", type=float, default=5.0, help="seconds to get ready; more on a busy machine")
    parser.add_argument("--via", choices=["mail", "batch"], default="mail")
    parser.add_argument("--tickers", type=int, default=2)
    parser.add_argument("--kind", default="graft")
    parser.add_argument("--server", help="address of a PostgreSQL server; without it: SQLite")
    parser.add_argument("--patience", type=float, default=900.0, help="seconds to wait after the last is due")
    parser.add_argument("--sweep", action="store_true", help=argparse.SUPPRESS)
    chosen = parser.parse_args()
    if chosen.sweep:
        sweep(chosen.via)
        return
    where = "PostgreSQL" if chosen.server else "SQLite"
    print(f"{chosen.rows} due within {chosen.over:.0f} s, {where}, {chosen.via}, {chosen.tickers} sweeps")
    with ExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory()))
        name = f"bench_reminders_{os.getpid()}"
        url = stack.enter_context(own_database(chosen.server, name)) if chosen.server else None
        site = Site(folder, url)
        book: Sink | BatchServer
        if chosen.via == "mail":
            book = stack.enter_context(Sink())
            site.more |= book.environment
        else:
            book = stack.enter_context(BatchServer())
            site.more["BATCH_PORT"] = str(book.port)
        site.manage("migrate", "--no-input", "--verbosity", "0")
        measure(site, book, chosen)


if __name__ == "__main__":
    main()
