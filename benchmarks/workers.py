"""How the throughput of long work and of deliveries grows with the number of worker processes.

    OMP_NUM_THREADS=1 python -m benchmarks.workers --server postgres://postgres@127.0.0.1:5432/postgres [--jobs 24]

Long work: a served installation with the practice season, database and broker of its own; its evaluator as in
docker-compose.yml, but with 1, 2 and 4 processes; whole evaluations in line at once. Counted from the start of the
first to the end of the last. Deliveries: `benchmarks.reminders` with 1, 2 and 4 sweeps, all due within one second.
Measured, not asserted. Needs the packages of the tests, PostgreSQL and redis-server.
"""

import argparse
import os
import subprocess
import sys
import tempfile
from contextlib import ExitStack
from pathlib import Path

from benchmarks.bookings import SERVED
from tests.faults.site import RedisServer, Site, own_database
from tests.processes import spare_port, started, wait_until
from tests.test_served import command_line

PROCESSES = (1, 2, 4)
TOLD = "--concurrency"
ASK = """
from django.utils import timezone
from accounts.models import Cooperative
from accounts.services.jobs import job_ask
for _job in range({jobs}):
    job_ask("evaluation", cooperative=Cooperative.objects.get(), by=None, now=timezone.now(), arguments={{}})
"""
ENDED = "SELECT count(*) FROM accounts_job WHERE kind = 'evaluation' AND state = 'ready'"
TOOK = (
    "SELECT extract(epoch FROM max(finished_at) - min(started_at))::float8"
    " FROM (SELECT * FROM accounts_job WHERE kind = 'evaluation' ORDER BY id DESC LIMIT {jobs}) AS these"
)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--server", default="postgres://postgres@127.0.0.1:5432/postgres")
    parser.add_argument("--jobs", type=int, default=24)
    parser.add_argument("--rows", type=int, default=5_000, help="reminders that fall due")
    chosen = parser.parse_args()
    print(f"{os.cpu_count()} cores, load {os.getloadavg()[0]:.1f}; {chosen.jobs} evaluations in line")
    one = 0.0
    with ExitStack() as stack:
        site = _site(stack, chosen.server)
        for processes in PROCESSES:
            rate = jobs_a_second(site, chosen.jobs, processes)
            one = one or rate
            print(f"{processes} processes: {rate:.2f} evaluations a second, {rate / one:.2f} times one process")
    words = ["--server", chosen.server, "--rows", str(chosen.rows), "--over", "1"]
    for processes in PROCESSES:
        command = [sys.executable, "-m", "benchmarks.reminders", *words, "--tickers", str(processes)]
        subprocess.run(command, check=True)
    print(f"load at the end {os.getloadavg()[0]:.1f}")


def _site(stack: ExitStack, server: str) -> Site:
    folder = Path(stack.enter_context(tempfile.TemporaryDirectory()))
    url = stack.enter_context(own_database(server, f"workers_{os.getpid()}"))
    broker = RedisServer()
    stack.callback(broker.remove)
    site = Site(folder, url, more={
        **SERVED,
        "BROODTIDE_REDIS_URL": f"redis://127.0.0.1:{broker.port}/0",
        "OMP_NUM_THREADS": "1",
    })  # fmt: skip
    for words in (["migrate"], ["practice"]):
        site.manage(*words)
    return site


def jobs_a_second(site: Site, jobs: int, processes: int) -> float:
    """Two warm each process up before; what they take is not counted."""
    words = command_line("evaluator", port=spare_port(), folder=site.folder)
    words[words.index(TOLD) + 1] = str(processes)
    with started(words, env=site.environment) as worker:
        for number in (2 * processes, jobs):
            wanted = site.rows(ENDED)[0][0] + number
            site.manage("shell", "-c", ASK.format(jobs=number))
            wait_until(lambda wanted=wanted: site.rows(ENDED)[0][0] >= wanted, seconds=900, of=[worker])  # type: ignore[misc]
    return float(jobs / site.rows(TOOK.format(jobs=jobs))[0][0])


if __name__ == "__main__":
    main()
