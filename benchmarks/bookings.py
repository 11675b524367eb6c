"""How many requests for bench places a second are answered over HTTP, and how late: server and clients on one machine.

    BROODTIDE_DATABASE_URL=postgres://… python -m benchmarks.bookings --clients 20 --each 20

Each client asks `each` times for one queen, at four bench days in turn; 503 with its pause counts as an attempt, and
the request is sent again. Both databases in one run, PostgreSQL where its address is given, with the settings of each
as they are run: kept by the program itself, and served. Processor time for each attempt [ms]: of the web processes, of
PostgreSQL's where they are on this machine, and of the clients, which are threads of this process.
"""

import argparse
import contextlib
import os
import shutil
import tempfile
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

from tests.faults.rush import Ground, rush, seeded
from tests.faults.site import Site, own_database
from tests.faults.test_disk import with_children
from tests.faults.test_rush import served
from tests.processes import Started

SESSIONS, PLACES = 4, 20
SERVED = {
    "BROODTIDE_MODE": "served",
    "BROODTIDE_SECRET_KEY": "k" * 60,
    "BROODTIDE_HOSTS": "127.0.0.1",
    "BROODTIDE_HTTPS": "0",
}


@contextmanager
def sites() -> Iterator[dict[str, Site]]:
    with ExitStack() as stack:
        found = {}
        server = os.environ.get("BROODTIDE_DATABASE_URL", "")
        for name in ["SQLite", *(["PostgreSQL"] if server.startswith("postgres") else [])]:
            folder = Path(tempfile.mkdtemp(prefix="bookings-"))
            stack.callback(shutil.rmtree, folder)
            url = stack.enter_context(own_database(server, "bench_bookings")) if name == "PostgreSQL" else None
            found[name] = Site(folder, url, SERVED if url else {})
            found[name].manage("migrate", "--no-input", "--verbosity", "0")
        yield found


def measured(site: Site, *, clients: int, each: int) -> str:
    ground = seeded(site, clients, places=PLACES, sessions=SESSIONS)
    with ExitStack() as stack:
        url, process = served(site, stack)
        rush(url, Ground(ground.clients, ground.source, ground.sessions[:1], PLACES))  # every process has begun
        before = busy_s(site, process)
        found = rush(url, ground, each=each)
        busy = [after - once for after, once in zip(busy_s(site, process), before, strict=True)]
    attempts = sum(found.statuses.values())
    asked = max(found.states[session, "asked"] for session in ground.sessions[1:])
    return (
        f"{attempts / found.seconds:7.1f} attempts/s   p50 {found.late_s(0.5):6.3f} s   p95 {found.late_s(0.95):6.3f} s"
        f"   answers {dict(found.statuses)}   fullest day {asked} of {PLACES}"
        "   processor " + " + ".join(f"{1000 * seconds / attempts:.1f}" for seconds in busy) + " ms"
    )


def busy_s(site: Site, web: Started) -> tuple[float, float, float]:
    """Processor seconds so far of the web processes, of the database's processes, and of this one."""
    query = "SELECT pid FROM pg_stat_activity WHERE datname = current_database() AND pid <> pg_backend_pid()"
    database = [pid for (pid,) in site.rows(query)] if site.url else []
    return sum(map(_busy_s, with_children(web.process.pid))), sum(map(_busy_s, database)), time.process_time()


def _busy_s(pid: int) -> float:
    """Nothing where the process is not on this machine."""
    with contextlib.suppress(FileNotFoundError):
        fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
        return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")
    return 0.0


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--clients", type=int, default=20)
    parser.add_argument("--each", type=int, default=20)
    chosen = parser.parse_args()
    print(
        f"{os.cpu_count()} cores, load {os.getloadavg()[0]:.1f}, {chosen.clients} clients, {chosen.each} requests each"
    )
    with sites() as found:
        for name, site in found.items():
            print(f"{name:<11}", measured(site, clients=chosen.clients, each=chosen.each), flush=True)


if __name__ == "__main__":
    main()
