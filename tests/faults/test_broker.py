"""Redis is emptied, killed, away, or connected and dumb: it only rings the bell, so reminders go out all the same."""

import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack

import pytest

from tests.browser.relay import Relay
from tests.faults.conftest import short_or_long
from tests.faults.seed import expected
from tests.faults.sink import Sink
from tests.faults.site import RedisServer, Site
from tests.faults.test_together import beat_and_worker, visit, web
from tests.processes import wait_until

pytestmark = [pytest.mark.postgres, pytest.mark.redis]

ROWS = short_or_long(60, 3_000)
OVER_SECONDS = short_or_long(8, 400)
AWAY_SECONDS = short_or_long(5, 300)
SILENT_AFTER = short_or_long(2, 40)  # seconds without a sweep until web processes help
SENT = "SELECT count(*) FROM scheduling_delivery WHERE channel = 'mail' AND state = 'sent'"
DUE = "SELECT title, extract(epoch FROM due_at)::float8 FROM scheduling_reminder WHERE title LIKE 'Step %'"

Fault = Callable[[RedisServer, Relay], None]


def emptied(broker: RedisServer, _relay: Relay) -> None:
    assert broker.ask("FLUSHALL") == "OK"


def killed(broker: RedisServer, _relay: Relay) -> None:
    broker.kill()


def dumb(_broker: RedisServer, relay: Relay) -> None:
    relay.is_silent = True


def mended(broker: RedisServer, relay: Relay) -> None:
    relay.is_silent = False
    if not broker.is_running:
        broker.start()


@pytest.fixture
def relay(broker: RedisServer) -> Iterator[Relay]:
    one = Relay("127.0.0.1", broker.port)
    try:
        yield one
    finally:
        one.close()


@pytest.fixture
def site(postgres_site: Site, relay: Relay) -> Site:
    postgres_site.more |= {"BROODTIDE_REDIS_URL": f"redis://127.0.0.1:{relay.port}/0"}
    return postgres_site


def most_late(site: Site, sink: Sink) -> float:
    due: dict[str, float] = dict(site.rows(DUE))
    return max(one.at - due[one.subject] for one in sink.taken if one.subject in due)


@pytest.mark.parametrize("fault", [emptied, killed, dumb])
def test_nothing_is_lost_and_critical_ones_are_in_time(
    site: Site, broker: RedisServer, relay: Relay, sink: Sink, stack: ExitStack, fault: Fault
) -> None:
    process, url = web(site, stack, silent_after=SILENT_AFTER)
    wait_until(lambda: visit(url), seconds=60, of=[process])
    running = [process, *beat_and_worker(site, stack)]
    site.seed(ROWS, over=OVER_SECONDS, from_now=1)
    wait_until(lambda: len(sink.taken) > ROWS / 10, seconds=60, of=running)
    fault(broker, relay)
    away_until = time.monotonic() + AWAY_SECONDS
    slowest = 0.0

    def goes_on() -> bool:
        nonlocal slowest
        began = time.monotonic()
        assert visit(url)
        slowest = max(slowest, time.monotonic() - began)
        if time.monotonic() > away_until:
            mended(broker, relay)
        return site.rows(SENT) == [(ROWS,)]

    wait_until(goes_on, seconds=OVER_SECONDS + AWAY_SECONDS + 60, of=running)
    assert sink.told() == expected(ROWS)
    assert (sink.repeats(), sink.doubled()) == (0, [])
    assert most_late(site, sink) < 60
    assert slowest < 5


@pytest.mark.parametrize("fault", [killed, dumb])
def test_whoever_rings_is_not_held_up(site: Site, broker: RedisServer, relay: Relay, fault: Fault) -> None:
    fault(broker, relay)
    # Two time limits of 2 s, and room for a busy machine; without them it waits for good.
    assert float(site.run("tests.faults.process", "ring").stdout) < 15


def test_control_where_the_broker_alone_rings_nothing_goes_out_while_it_is_away(
    site: Site, broker: RedisServer, relay: Relay, sink: Sink, stack: ExitStack
) -> None:
    """No web process helps: what comes due meanwhile stays."""
    beat_and_worker(site, stack)
    site.seed(5)
    wait_until(lambda: site.rows(SENT) == [(5,)], seconds=60)
    dumb(broker, relay)
    site.seed(ROWS, first=5)
    before = time.monotonic()
    wait_until(lambda: time.monotonic() - before > AWAY_SECONDS, seconds=AWAY_SECONDS + 5)
    assert len(sink.taken) == 5
