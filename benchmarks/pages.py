"""Server time of every page in a large cooperative, as each role sees it.

    OMP_NUM_THREADS=1 python -m benchmarks.pages [--times 20] [--role coordinator] [part of a route's name ...]

Reads the database that the settings name, which must hold a practice season (`manage.py practice --size large`). What
pages of single things need besides (a sketch, a planned cross) is written and taken back. Each page is asked for
through the whole stack of middleware, without a network. Prints, worst first: median and 95th percentile of the time by
the wall in ms, that percentile as a multiple of an empty Django view's in the same run, the processor time of this
process in ms (all of it with SQLite, without the database's with PostgreSQL), queries, kB. Then how many pages a second
that processor time lets the cores answer, if they did nothing else. Measured, not asserted.
"""

import argparse
import os
import statistics
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from types import ModuleType

TARGET_MS = 150
HEAD = f"{'median':>8} {'p95':>8} {'x empty':>8} {'cpu':>8} {'queries':>8} {'kB':>6}"


@dataclass(frozen=True)
class Times:
    """Milliseconds."""

    median: float
    p95: float
    processor: float

    @classmethod
    def of(cls, work: Callable[[], object], times: int) -> "Times":
        work()
        taken, busy = [], time.process_time()
        for _ in range(times):
            began = time.perf_counter()
            work()
            taken.append(1000 * (time.perf_counter() - began))
        busy = 1000 * (time.process_time() - busy) / times
        return cls(statistics.median(taken), sorted(taken)[min(times - 1, int(0.95 * times))], busy)


@dataclass(frozen=True)
class Seen:
    """One page as one role sees it. Size in bytes."""

    role: str
    name: str
    address: str
    took: Times
    queries: int
    size: int


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("names", nargs="*", help="only routes with one of these in their name")
    parser.add_argument("--times", type=int, default=20)
    parser.add_argument("--role", action="append", help="member1, coordinator, breeder, operator; without: all")
    wanted = parser.parse_args()
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")
    import django

    django.setup()
    from django.db import transaction

    with transaction.atomic():
        measure(wanted.names, times=wanted.times, roles=wanted.role)
        transaction.set_rollback(True)


def measure(names: list[str], *, times: int, roles: list[str] | None) -> None:
    from django.db import connection

    from accounts.models import Member
    from breeding.models import Queen

    stock = f"{Queen.objects.count()} queens, {Member.objects.count()} members"
    print(f"{connection.vendor}: {stock}; load {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores")
    seen = list(pages_seen(names, times=times, roles=roles))
    empty = empty_view(5 * times)
    print(f"an empty view: median {empty.median:.2f}, p95 {empty.p95:.2f}, cpu {empty.processor:.2f} ms")
    print(HEAD)
    for one in sorted(seen, key=lambda one: one.took.p95, reverse=True):
        took = one.took
        figures = f"{took.median:8.1f} {took.p95:8.1f} {took.p95 / empty.p95:8.1f} {took.processor:8.1f}"
        print(f"{figures} {one.queries:8d} {one.size / 1000:6.0f}  {one.role} {one.address}")
    over = sum(one.took.p95 > TARGET_MS for one in seen)
    print(f"{len(seen)} pages, p95 of {over} above {TARGET_MS} ms; load at the end {os.getloadavg()[0]:.1f}")
    cores, middles = os.cpu_count() or 1, {"one of every page": statistics.mean, "the middle page": statistics.median}
    for what, middle in middles.items() if seen else ():
        busy = middle([one.took.processor for one in seen])
        print(
            f"{what}: {busy:.1f} ms of the processor, {busy / empty.processor:.0f} times an empty view; {cores} cores"
            f" answer {1000 * cores / busy:.0f} a second"
        )


def pages_seen(names: list[str], *, times: int, roles: list[str] | None) -> Iterator[Seen]:
    """Every page that the roles see, asked for in this process."""
    from django.conf import settings
    from django.db import connection
    from django.test import Client
    from django.test.utils import CaptureQueriesContext
    from django.utils import timezone

    from accounts.services.statistics import statistics_count
    from config.collector import collector_settle
    from tests.browser.pages import ROLES, Pages

    settings.ALLOWED_HOSTS = ["*"]
    settings.WEB_HELPS_SWEEP = False
    pages = Pages(timezone.now())
    statistics_count()  # as the sweep does
    collector_settle()  # as the web process does
    for role in roles or ROLES:
        client = Client()
        client.force_login(pages.by[role])
        for name, addresses in pages.addresses().items():
            for nth, address in enumerate(addresses if not names or any(part in name for part in names) else ()):
                answer = client.get(address)
                if answer.status_code != 200:
                    continue
                with CaptureQueriesContext(connection) as asked:
                    client.get(address)
                queries = len(asked)  # before the next request begins and forgets them
                took = Times.of(lambda client=client, address=address: client.get(address), times)  # type: ignore[misc]
                yield Seen(role, f"{name} {nth}" if nth else name, address, took, queries, len(answer.content))


def empty_view(times: int) -> Times:
    """A view that does nothing, without middleware: what Django itself takes here and now."""
    from django.http import HttpRequest, HttpResponse
    from django.test import Client, override_settings
    from django.urls import path

    def empty(request: HttpRequest) -> HttpResponse:
        return HttpResponse("")

    addresses = ModuleType("empty_urls")
    addresses.urlpatterns = [path("empty/", empty)]  # type: ignore[attr-defined]
    with override_settings(ROOT_URLCONF=addresses, MIDDLEWARE=[]):
        client = Client()
        return Times.of(lambda: client.get("/empty/"), times)


if __name__ == "__main__":
    main()
