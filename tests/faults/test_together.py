"""Sweeps, beats with their workers and helping web processes, all at once: whoever comes first sends, alone."""

from contextlib import ExitStack

import pytest

from tests.faults.conftest import short_or_long
from tests.faults.seed import expected
from tests.faults.sink import Sink
from tests.faults.site import RedisServer, Site
from tests.processes import Started, fetch, spare_port, wait_until

ROWS = short_or_long(300, 12_000)
OVER_SECONDS = short_or_long(4, 600)
SWEEPS, BEATS, WEBS = 3, short_or_long(1, 3), 2
SETTLED = "SELECT count(*) FROM scheduling_delivery WHERE channel = 'mail' AND state = 'sent'"


def served(site: Site, broker: RedisServer) -> Site:
    """The same installation with a broker."""
    site.more |= {"BROODTIDE_REDIS_URL": f"redis://127.0.0.1:{broker.port}/0"}
    return site


def beat_and_worker(site: Site, stack: ExitStack, number: int = 0) -> list[Started]:
    schedule = str(site.folder / f"beat{number}")
    beat = ["celery", "beat", "--schedule", schedule, "--pidfile", ""]
    worker = ["celery", "worker", "-n", f"mail{number}@%h", "-Q", "mail", "--concurrency", "1", "--without-mingle"]
    return [stack.enter_context(site.running(*words, tick=0.3, lease=30)) for words in (beat, worker)]


def web(site: Site, stack: ExitStack, *, silent_after: float) -> tuple[Started, str]:
    """A web process; its address."""
    port = spare_port()
    words = ["gunicorn", "config.wsgi:application", "--bind", f"127.0.0.1:{port}", "--workers", "1", "--threads", "4"]
    process = stack.enter_context(
        site.running(*words, "--worker-class", "gthread", "--no-control-socket", silent_after=silent_after, lease=30)
    )
    return process, f"http://127.0.0.1:{port}"


def visit(url: str) -> bool:
    """Any request makes the web process look whether the sweep runs. False: no answer, it may still be starting."""
    return fetch(f"{url}/healthz/live")[0] == 200


@pytest.mark.postgres
@pytest.mark.redis
def test_all_of_them_at_once_send_each_mail_once(
    postgres_site: Site, broker: RedisServer, sink: Sink, stack: ExitStack
) -> None:
    site = served(postgres_site, broker)
    site.seed(ROWS, over=OVER_SECONDS, from_now=3)
    running = [stack.enter_context(site.running("run_ticker", tick=0.1, lease=30)) for _ in range(SWEEPS)]
    for number in range(BEATS):
        running += beat_and_worker(site, stack, number)
    webs = [web(site, stack, silent_after=0.0) for _ in range(WEBS)]

    def is_done() -> bool:
        for _process, url in webs:
            visit(url)
        return site.rows(SETTLED) == [(ROWS,)]

    wait_until(is_done, seconds=OVER_SECONDS + 60, of=[*running, *(process for process, _url in webs)])
    assert sink.told() == expected(ROWS)
    assert (sink.repeats(), sink.doubled(), len(sink.taken)) == (0, [], ROWS)


@pytest.mark.postgres
def test_control_without_locks_marks_and_leases_sweeps_send_the_same_mail(
    postgres_site: Site, sink: Sink, stack: ExitStack
) -> None:
    sink.pause_seconds = 0.01
    postgres_site.seed(ROWS)
    guards = ["locks", "marks", "lease"]
    sweeps = [stack.enter_context(postgres_site.running("run_ticker", tick=0.1, without=guards)) for _ in range(SWEEPS)]
    wait_until(lambda: sink.repeats() > 0, seconds=60, of=sweeps)
