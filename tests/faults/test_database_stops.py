"""PostgreSQL is stopped as if its power were cut, three times, while reminders are written and sent."""

from contextlib import ExitStack
from pathlib import Path

import pytest

from tests.faults.conftest import short_or_long
from tests.faults.seed import expected
from tests.faults.sink import Sink
from tests.faults.site import PostgresCluster, Site, schema_load
from tests.processes import wait_until

pytestmark = pytest.mark.postgres

ROWS = short_or_long(400, 20_000)
STOPS = 3
SWEEPS = 2
SENT = "SELECT count(*) FROM scheduling_delivery WHERE channel = 'mail' AND state = 'sent'"


@pytest.fixture
def own_site(cluster: PostgresCluster, postgres_dump: Path, tmp_path: Path, sink: Sink) -> Site:
    schema_load(postgres_dump, cluster.url())
    return Site(tmp_path, cluster.url(), more=sink.environment)


def test_nothing_is_lost_or_doubled_and_no_sweep_has_to_be_started_anew(
    own_site: Site, cluster: PostgresCluster, sink: Sink, stack: ExitStack
) -> None:
    own_site.seed(ROWS)
    sweeps = [stack.enter_context(own_site.running("run_ticker", tick=0.1, lease=3)) for _ in range(SWEEPS)]
    for number in range(STOPS):
        share = (number + 0.5) * ROWS / (STOPS + 1)
        wait_until(lambda: len(sink.taken) > share, seconds=120, of=sweeps)  # noqa: B023 - used at once
        cluster.stop()
        cluster.start()
    wait_until(lambda: own_site.rows(SENT) == [(ROWS,)], seconds=short_or_long(60, 600), of=sweeps)
    assert sink.told() == expected(ROWS)
    assert sink.doubled() == []
    assert sink.repeats() <= STOPS * SWEEPS
    assert own_site.states() == {"sent": ROWS}


def test_control_without_its_log_what_was_committed_is_gone_and_mails_are_lost(
    own_site: Site, cluster: PostgresCluster, sink: Sink
) -> None:
    """Tables that are not in the log are empty after such a stop: so would a promise be that was not kept on disk."""
    own_site.seed(ROWS)
    own_site.write("ALTER TABLE scheduling_delivery SET UNLOGGED")
    with own_site.running("run_ticker", tick=0.1, lease=3) as sweep:
        wait_until(lambda: len(sink.taken) > ROWS / 4, seconds=short_or_long(60, 600), of=[sweep])
        cluster.stop()
    cluster.start()
    own_site.manage("run_ticker", "--once")
    # What the first tick had written is gone; what no tick had reached yet goes out as ever.
    assert sum(own_site.states().values()) < ROWS
    assert expected(ROWS) - sink.told() != set()
