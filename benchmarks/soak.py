"""What an installation that runs for long keeps: memory of its processes, keys of its broker, lateness of its mails.

    python -m benchmarks.soak --server postgres://postgres@127.0.0.1:5432/postgres --minutes 120

A served installation with the practice season: web processes (never renewed, as they would be after 2,000 requests),
workers for mail and for the rest, beat, each with the command line of docker-compose.yml; database and broker of its
own. Five times the usual load: 300 reminders a minute fall due, and 2 pages a second are read by a member and a
coordinator in turn. Every ten seconds the memory of each kind of process is looked at (its share of what is shared
counted once); growth is the slope of a line through what follows the first fifth, in per cent of the first value an
hour. Measured, not asserted. Needs the packages of the tests, PostgreSQL and redis-server.
"""

import argparse
import contextlib
import http.cookiejar
import itertools
import os
import re
import statistics
import tempfile
import time
import urllib.error
import urllib.parse
import urllib.request
from collections import Counter, defaultdict
from collections.abc import Iterator, Mapping
from contextlib import AbstractContextManager, ExitStack, contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from benchmarks.bookings import SERVED
from tests.faults.seed import title_of
from tests.faults.sink import Sink
from tests.faults.site import RedisServer, Site, own_database
from tests.processes import Started, children_of, fetch, spare_port, started, wait_until
from tests.test_served import command_line

PASSWORD = "drones before noon"  # of the practice season
PER_MINUTE = 300
FIRST = 100_000  # of the reminders: they name batches that the practice season does not have, so nothing ends them
PAGES_A_SECOND = 2
PATHS = (
    "/",
    "/lines/",
    "/can-i-still/",
    "/reminders/",
    "/standing/",
    "/sources/",
    "/batches/",
    "/stock/",
    "/lines/?who=all",
)
WARMING = 24  # times each page is read first: every web process has loaded by then what it keeps
EVERY_SECONDS = 10
KINDS = ("web", "worker", "mail", "beat")
RENEWAL = "--max-requests"
DELIVERED = (
    "SELECT r.title, d.channel, d.state, d.problem FROM scheduling_reminder r"
    " LEFT JOIN scheduling_delivery d ON d.reminder_id = r.id WHERE r.title LIKE 'Step %'"
)
DUE = "SELECT title, extract(epoch FROM due_at)::float8 FROM scheduling_reminder WHERE title LIKE 'Step %'"


@dataclass(frozen=True)
class Installation:
    """`running` : its processes by kind."""

    site: Site
    broker: RedisServer
    sink: Sink
    running: Mapping[str, Started]
    address: str


@contextmanager
def installed(server: str) -> Iterator[Installation]:
    """A served installation with the practice season, ready to answer."""
    with ExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory()))
        url = stack.enter_context(own_database(server, f"soak_{os.getpid()}"))
        broker = RedisServer()
        stack.callback(broker.remove)
        sink = stack.enter_context(Sink())
        port = spare_port()
        address = f"http://127.0.0.1:{port}"
        site = Site(folder, url, more={
            **SERVED,
            "BROODTIDE_REDIS_URL": f"redis://127.0.0.1:{broker.port}/0",
            "BROODTIDE_SITE_URL": address,
            **sink.environment,
        })  # fmt: skip
        for words in (["migrate"], ["practice"], ["collectstatic", "--no-input"]):
            site.manage(*words)
        running = {kind: stack.enter_context(_started(kind, site, port)) for kind in KINDS}
        wait_until(lambda: fetch(f"{address}/healthz/live")[0] == 200, seconds=60, of=list(running.values()))
        yield Installation(site, broker, sink, running, address)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--server", default="postgres://postgres@127.0.0.1:5432/postgres")
    parser.add_argument("--minutes", type=float, default=5.0)
    chosen = parser.parse_args()
    with installed(chosen.server) as all_of_it:
        print(f"{chosen.minutes:g} minutes; load {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores")
        number, seen, readers = soak(all_of_it, minutes=chosen.minutes)
        report(seen, readers)
        all_told(all_of_it.sink, number)
        tell(all_of_it.site, all_of_it.sink, number)


def soak(all_of_it: Installation, *, minutes: float) -> tuple[int, "Seen", "Readers"]:
    """Return how many reminders fell due meanwhile, what was seen of the processes, and what readers met."""
    readers = Readers(all_of_it.address)
    for _ in range(WARMING * len(PATHS)):
        readers.read()
    number = int(minutes * PER_MINUTE)
    # Of a kind that is told once: others are told again after 15 minutes, as long as nobody acknowledges them.
    all_of_it.site.seed(number, first=FIRST, from_now=20, over=60 * minutes, kind="graft")
    return number, watch(all_of_it.running, all_of_it.broker, readers, minutes=minutes), readers


def all_told(sink: Sink, number: int) -> set[str]:
    """Wait for the mails; return the titles of those that never came."""
    with contextlib.suppress(AssertionError):  # what never came is counted as lost
        wait_until(lambda: not titles(number) - {one.subject for one in sink.taken}, seconds=120)
    return titles(number) - {one.subject for one in sink.taken}


def told_again(sink: Sink, number: int) -> list[tuple[str, str]]:
    """Address and title of reminders that came twice. Two of the practice season's own may well be called the same."""
    ours = titles(number)
    return [(to, title) for to, title in sink.doubled() if title in ours]


def _started(kind: str, site: Site, port: int) -> AbstractContextManager[Started]:
    words = command_line(kind, port=port, folder=site.folder)
    if RENEWAL in words:
        at = words.index(RENEWAL)
        words = [*words[:at], *words[at + 4 :]]  # and its jitter
    return started(words, env=site.environment)


class Readers:
    """A member and a coordinator who look at pages in turn."""

    def __init__(self, address: str) -> None:
        self.address = address
        self.statuses: Counter[int] = Counter()
        self.took_s: list[float] = []
        self._people = itertools.cycle([self._signed_in(f"{who}@example.org") for who in ("member1", "coordinator")])
        self._paths = itertools.cycle(PATHS)

    def _signed_in(self, email: str) -> urllib.request.OpenerDirector:
        opener = urllib.request.build_opener(urllib.request.HTTPCookieProcessor(http.cookiejar.CookieJar()))
        page = opener.open(f"{self.address}/sign-in/").read().decode()
        token = re.findall(r'name="csrfmiddlewaretoken" value="([^"]+)"', page)[0]
        words = {"csrfmiddlewaretoken": token, "login": email, "email": email, "password": PASSWORD}
        with opener.open(f"{self.address}/sign-in/", urllib.parse.urlencode(words).encode()) as answer:
            if "sign-in" in answer.url:
                raise SystemExit(f"{email} could not sign in.")
        return opener

    def read(self) -> None:
        began = time.monotonic()
        try:
            with next(self._people).open(self.address + next(self._paths), timeout=60) as answer:
                answer.read()
                self.statuses[answer.status] += 1
        except urllib.error.HTTPError as error:
            self.statuses[error.code] += 1
        self.took_s.append(time.monotonic() - began)


@dataclass
class Seen:
    """By kind of process, its memory [MB] at each moment [s]; and how many keys the broker held."""

    at_s: list[float] = field(default_factory=list)
    memory_mb: dict[str, list[float]] = field(default_factory=lambda: defaultdict(list))
    keys: list[float] = field(default_factory=list)


def watch(running: Mapping[str, Started], broker: RedisServer, readers: Readers, *, minutes: float) -> Seen:
    seen, began, turns = Seen(), time.monotonic(), 0
    while (now := time.monotonic() - began) < 60 * minutes:
        if now >= EVERY_SECONDS * len(seen.at_s):
            seen.at_s.append(now)
            for kind, one in running.items():
                if one.process.poll() is not None:
                    raise SystemExit(f"{kind} ended:\n{one.said}")
                seen.memory_mb[kind].append(memory_mb(one.process.pid))
            seen.keys.append(float(broker.ask("DBSIZE")))
        readers.read()
        turns += 1
        time.sleep(max(0.0, turns / PAGES_A_SECOND - (time.monotonic() - began)))
    return seen


def memory_mb(pid: int) -> float:
    """Of the process and all its children: its own, and its part of what they share."""
    own = 0.0
    with contextlib.suppress(FileNotFoundError, ProcessLookupError):  # it ended between two looks
        own = int(re.findall(r"^Pss: +(\d+) kB", Path(f"/proc/{pid}/smaps_rollup").read_text(), re.MULTILINE)[0]) / 1000
    return own + sum(memory_mb(child) for child in children_of(pid))


def growths(seen: Seen) -> dict[str, float]:
    """In per cent an hour, after the first fifth."""
    after = len(seen.at_s) // 5
    hours = [at / 3600 for at in seen.at_s[after:]]
    found = {}
    for kind, values in {**seen.memory_mb, "keys": seen.keys}.items():
        line = statistics.linear_regression(hours, values[after:])
        found[kind] = 100 * line.slope / max(line.intercept + line.slope * hours[0], 1)
    return found


def report(seen: Seen, readers: Readers) -> None:
    after = len(seen.at_s) // 5
    print(f"{'':<8} {'first MB':>9} {'last MB':>9} {'%/h':>7}")
    for kind, growth in growths(seen).items():
        values = seen.keys if kind == "keys" else seen.memory_mb[kind]
        print(f"{kind:<8} {values[after]:>9.1f} {values[-1]:>9.1f} {growth:>7.1f}")
    late = sorted(readers.took_s)
    print(f"pages: {dict(readers.statuses)}, p50 {late[len(late) // 2]:.3f} s, p95 {late[int(0.95 * len(late))]:.3f} s")


def titles(number: int) -> set[str]:
    """Of the mails that must come; the practice season sends some of its own."""
    return {title_of(n) for n in range(FIRST, FIRST + number)}


def tell(site: Site, sink: Sink, number: int) -> None:
    due = dict(site.rows(DUE))
    late = sorted(one.at - due[one.subject] for one in sink.taken if one.subject in due)
    lost = titles(number) - {one.subject for one in sink.taken}
    for title, channel, state, problem in site.rows(DELIVERED):
        if title in lost:
            print(f"lost: {title}, {channel} {state} {problem}")
    others = Counter(re.sub(r"\d+", "0", one.subject) for one in sink.taken if one.subject not in due)
    print(f"mails of the practice season itself: {dict(others)}")
    print(
        f"mails: lost {len(lost)}, doubled {len(told_again(sink, number))}, late p50 {late[len(late) // 2]:.1f} s,"
        f" p99 {late[int(0.99 * len(late))]:.1f} s; load {os.getloadavg()[0]:.1f}"
    )


if __name__ == "__main__":
    main()
