"""Sweeps are killed (`kill -9`) again and again while they send: nothing is lost, nobody is told twice of one thing."""

import random
import signal
from contextlib import ExitStack

import pytest

from tests.faults.conftest import short_or_long
from tests.faults.seed import expected
from tests.faults.sink import Sink
from tests.faults.site import Site
from tests.processes import Started, wait_until

KILLS = short_or_long(5, 100)
ROWS = short_or_long(400, 30_000)
SWEEPS = 2
LEASE_SECONDS = 3.0
SEED = 20260609
HELD = "SELECT DISTINCT claim FROM scheduling_delivery WHERE state IN ('claimed', 'sending')"
OPEN = "SELECT count(*) FROM scheduling_delivery WHERE state IN ('pending', 'retry', 'claimed', 'sending')"
UNTOLD = "SELECT count(*) FROM scheduling_reminder WHERE told_at IS NULL"


def is_settled(site: Site) -> bool:
    # In this order: what is told in between has open messages, which are looked for after it.
    return site.rows(UNTOLD) == site.rows(OPEN) == [(0,)]


def kill_again_and_again(site: Site, sink: Sink, stack: ExitStack) -> None:
    """By lot, each time another share of the rows is out; the next starts at once. Then the rest goes out."""
    lot = random.Random(SEED)

    def start() -> Started:
        return stack.enter_context(site.running("run_ticker", lease=LEASE_SECONDS, tick=0.1))

    sweeps = [start() for _ in range(SWEEPS)]
    for number in range(KILLS):
        share = int((number + lot.random()) * 0.9 * ROWS / KILLS)
        wait_until(lambda: len(sink.taken) > share, seconds=120, of=sweeps)  # noqa: B023 - used at once
        sweeps.pop(lot.randrange(len(sweeps))).end(signal.SIGKILL)
        sweeps.append(start())
    wait_until(lambda: is_settled(site), seconds=short_or_long(60, 600), of=sweeps)


def assert_all_once(site: Site, sink: Sink) -> None:
    assert sink.told() == expected(ROWS)
    assert sink.doubled() == []
    assert sink.repeats() <= KILLS  # each kill leaves at most one mail that was taken and not noted
    assert site.states() == {"sent": ROWS}


@pytest.mark.postgres
def test_on_postgresql_nothing_is_lost_or_doubled(postgres_site: Site, sink: Sink, stack: ExitStack) -> None:
    postgres_site.seed(ROWS)
    kill_again_and_again(postgres_site, sink, stack)
    assert_all_once(postgres_site, sink)


def test_on_sqlite_nothing_is_lost_or_doubled(sqlite_site: Site, sink: Sink, stack: ExitStack) -> None:
    sqlite_site.seed(ROWS)
    kill_again_and_again(sqlite_site, sink, stack)
    assert_all_once(sqlite_site, sink)


def test_control_without_the_end_of_a_lease_what_the_dead_one_held_is_lost(
    sqlite_site: Site, sink: Sink, stack: ExitStack
) -> None:
    sqlite_site.seed(ROWS)
    with sqlite_site.running("run_ticker", tick=0.1, without=["lease-end"]) as victim:
        wait_until(lambda: len(sink.taken) > 20, seconds=60, of=[victim])
        victim.end(signal.SIGKILL)
    [held] = sqlite_site.rows(HELD)
    sweep = stack.enter_context(sqlite_site.running("run_ticker", tick=0.1, without=["lease-end"]))
    open_to_others = f"{OPEN} AND (claim IS NULL OR claim != '{held[0]}')"
    wait_until(lambda: sqlite_site.rows(UNTOLD) == sqlite_site.rows(open_to_others) == [(0,)], seconds=60, of=[sweep])
    assert sqlite_site.rows(HELD) == [held]
    assert expected(ROWS) - sink.told() != set()
