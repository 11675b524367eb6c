"""What ten times as much takes: every page before and after a cooperative grew from 300 to 3,000 members.

    BROODTIDE_DATA_DIR=large OMP_NUM_THREADS=1 python -m benchmarks.growth [--times 5] [--role coordinator]
        [--only pages] [--least 1.5] [part of a route's name ...]

Takes the database that the settings name, which must hold a practice season (`manage.py practice --size large`), and
works on a copy of it that it makes and drops: a file in a folder of its own, or a database beside it on PostgreSQL.
Looks at the pages, has the copy grow tenfold (`benchmarks/growing.py`), looks at the same pages again, in one process.
Prints, the worst ratio first: ms of this process's processor before and after, their ratio, the ratio by the wall (on
PostgreSQL the database's own work is only there), queries and kB before and after. Then every table that can be taken
away (seconds, MB, how much more memory this process had at most while it was made), and an import of 50,000 scores.
Measured, not asserted.
"""

import argparse
import os
import shutil
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from benchmarks.pages import Seen, pages_seen

HEAD = f"{'cpu before':>10} {'cpu after':>10} {'ratio':>6} {'wall':>6} {'queries':>9} {'kB':>9}"
NOTHING_MS = 2.0  # both sides of a ratio get it: of what takes a millisecond, noise is most


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("names", nargs="*", help="only routes with one of these in their name")
    parser.add_argument("--times", type=int, default=5)
    parser.add_argument("--role", action="append", help="member1, coordinator, breeder, operator; without: all")
    parser.add_argument("--least", type=float, default=0.0, help="only pages that take this many times as much")
    parser.add_argument("--only", choices=("pages", "tables", "import"), help="without: all three")
    wanted = parser.parse_args()
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")
    with copied():
        import django

        django.setup()
        from django.db import connections

        try:
            measure(wanted)
        finally:
            connections.close_all()


@contextmanager
def copied() -> Iterator[None]:
    """The settings name a copy of the database from here on; it is gone afterwards."""
    address = os.environ.get("BROODTIDE_DATABASE_URL", "")
    if address.startswith("postgres"):
        import psycopg
        from psycopg import sql

        server, _slash, name = address.rpartition("/")
        copy = f"{name}_growth"
        names = sql.Identifier(copy), sql.Identifier(name)
        with psycopg.connect(f"{server}/postgres", autocommit=True) as there:
            there.execute(sql.SQL("DROP DATABASE IF EXISTS {}").format(names[0]))
            there.execute(sql.SQL("CREATE DATABASE {} TEMPLATE {}").format(*names))
            os.environ["BROODTIDE_DATABASE_URL"] = f"{server}/{copy}"
            try:
                yield
            finally:
                there.execute(sql.SQL("DROP DATABASE {} WITH (FORCE)").format(names[0]))
        return
    kept = Path(os.environ["BROODTIDE_DATA_DIR"])
    with tempfile.TemporaryDirectory(prefix="growth-") as folder:
        for one in kept.iterdir():
            if one.is_file():
                shutil.copy(one, folder)
        os.environ["BROODTIDE_DATA_DIR"] = folder
        yield


def measure(wanted: argparse.Namespace) -> None:
    from django.core.management import call_command
    from django.db import connection

    from accounts.services.statistics import statistics_count
    from benchmarks.growing import grown

    call_command("migrate", verbosity=0)
    statistics_count()
    print(f"{connection.vendor}, load {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores")
    looked = wanted.only in (None, "pages")
    before = pages_of(wanted) if looked else {}
    tables_before = tables_taken() if wanted.only in (None, "tables") else {}
    began = time.perf_counter()
    rows = grown()
    told = ", ".join(f"{rows[label]} {word}" for label, word in SAID.items())
    print(f"grown in {time.perf_counter() - began:.0f} s: {told}")
    if looked:
        pages_compare(before, pages_of(wanted), least=wanted.least)
    for name, (seconds, size, memory) in (tables_taken() if tables_before else {}).items():
        was = tables_before[name]
        print(
            f"{name}: {was[0]:.2f} -> {seconds:.2f} s, {was[1]:.1f} -> {size:.1f} MB,"
            f" at most {was[2]:.0f} -> {memory:.0f} MB more memory"
        )
    if wanted.only in (None, "import"):
        scores_import()
    print(f"load at the end {os.getloadavg()[0]:.1f}")


SAID = {
    "accounts.Member": "members",
    "breeding.Queen": "queens",
    "breeding.Score": "scores",
    "scheduling.QueenBatch": "batches",
    "scheduling.Dose": "doses",
    "scheduling.Reminder": "reminders",
    "accounts.AuditEntry": "rows of history",
}


def pages_of(wanted: argparse.Namespace) -> dict[tuple[str, str], Seen]:
    """By role and route; what they need besides is written and taken back."""
    from django.db import transaction

    with transaction.atomic():
        seen = {(one.role, one.name): one for one in pages_seen(wanted.names, times=wanted.times, roles=wanted.role)}
        transaction.set_rollback(True)
    return seen


def pages_compare(before: dict[tuple[str, str], Seen], after: dict[tuple[str, str], Seen], *, least: float) -> None:
    rows = []
    for which in sorted(before.keys() & after.keys()):
        was, now = before[which], after[which]
        ratio = (now.took.processor + NOTHING_MS) / (was.took.processor + NOTHING_MS)
        wall = (now.took.median + NOTHING_MS) / (was.took.median + NOTHING_MS)
        rows.append((max(ratio, wall), ratio, wall, was, now))
    print(HEAD)
    for worst, ratio, wall, was, now in sorted(rows, key=lambda row: row[0], reverse=True):
        if worst >= least:
            print(
                f"{was.took.processor:10.1f} {now.took.processor:10.1f} {ratio:6.2f} {wall:6.2f}"
                f" {was.queries:4d} {now.queries:4d} {was.size / 1000:4.0f} {now.size / 1000:4.0f}"
                f"  {now.role} {now.name} {now.address}"
            )
    for limit in (1.25, 1.5, 2.0):
        print(f"{sum(row[0] > limit for row in rows)} of {len(rows)} pages above {limit} times")
    if gone := before.keys() ^ after.keys():
        print(f"seen only before or only after: {sorted(gone)}")


def tables_taken() -> dict[str, tuple[float, float, float]]:
    """Seconds, MB, and the most MB of memory that a download took while it ran."""
    from django.conf import settings
    from django.test import Client
    from django.urls import reverse

    from accounts.models import Person
    from tests.test_downloads import TABLES

    settings.ALLOWED_HOSTS = ["*"]
    client = Client()
    client.force_login(Person.objects.get(email="coordinator@example.org"))
    found = {}
    for name, parts in TABLES.items():
        for part in parts:
            arguments = {"table": part} if part and not part.startswith("?") else {}
            address = reverse(name, kwargs=arguments) + (part if part.startswith("?") else "")
            stood, began, size = memory_mb(reset=True), time.perf_counter(), 0
            answer = client.get(address)
            if answer.status_code != 200:
                continue
            for piece in answer if answer.streaming else [answer.content]:
                size += len(piece)
            found[f"{name} {part}".strip()] = (time.perf_counter() - began, size / 1e6, memory_mb() - stood)
    return found


def memory_mb(*, reset: bool = False) -> float:
    """The most memory of this process since the last reset, in MB (Linux)."""
    if reset:
        Path("/proc/self/clear_refs").write_text("5")
    told = dict(line.split(":", 1) for line in Path("/proc/self/status").read_text().splitlines())
    return int(told["VmHWM"].split()[0]) / 1024


def scores_import() -> None:
    """50,000 scores of a new apiary into the large stock, as `benchmarks.imports` does into an empty one."""
    from benchmarks.imports import measure as import_measure

    import_measure(50_000, "csv")


if __name__ == "__main__":
    main()
