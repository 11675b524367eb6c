"""More members than places, all at one moment: the first get them, the rest join the queue, nobody is turned away.

Beside each stands a control run: without locks more get a place than there are; where SQLite takes its lock late,
requests are turned away as if the program were busy.
"""

from contextlib import ExitStack
from dataclasses import replace

import pytest

from tests.faults.conftest import short_or_long
from tests.faults.rush import NOW, TRIES, Answers, Ground, rush, seeded
from tests.faults.site import Site
from tests.faults.test_together import visit
from tests.processes import Started, spare_port, wait_until

CLIENTS = short_or_long(24, 200)
PLACES = short_or_long(3, 20)  # fewer than requests are worked on at once
ROUNDS = short_or_long(1, 4)  # a bench day each, and one for the control: then the queens are past their normal age


def served(site: Site, stack: ExitStack, *, without: tuple[str, ...] = ()) -> tuple[str, Started]:
    """The address of web processes with several threads each, in the season of what was seeded; and their parent."""
    port = spare_port()
    words = ["gunicorn", "config.wsgi:application", "--bind", f"127.0.0.1:{port}", "--workers", "2", "--threads", "4"]
    process = stack.enter_context(
        site.running(*words, "--worker-class", "gthread", "--no-control-socket", now=NOW, without=without)
    )
    url = f"http://127.0.0.1:{port}"
    wait_until(lambda: visit(url), seconds=60, of=[process])
    return url, process


def given(site: Site, session: int) -> list[tuple[str, int]]:
    """How many queens are asked for and queued there, by what stands in the table."""
    query = f"SELECT state, sum(queens) FROM scheduling_booking WHERE wished_session_id = {session} GROUP BY state"
    return sorted((str(state), int(queens)) for state, queens in site.rows(query))


def assert_fair(site: Site, ground: Ground, found: Answers) -> None:
    assert found.bodies == []
    assert found.broken == 0
    assert sum(found.states.values()) == CLIENTS
    [session] = ground.sessions
    assert found.states[session, "asked"] == PLACES
    assert given(site, session) == [("asked", PLACES), ("queued", CLIENTS - PLACES)]


def on_each_day(site: Site, stack: ExitStack) -> list[Ground]:
    """Each round another bench day, which everybody wants. Returns them, and one more that nobody has asked for."""
    ground = seeded(site, CLIENTS, places=PLACES, sessions=ROUNDS + 1)
    url, _process = served(site, stack)
    days = [replace(ground, sessions=[session]) for session in ground.sessions]
    for day in days[:ROUNDS]:
        assert_fair(site, day, rush(url, day))
    return days


def controlled(site: Site, stack: ExitStack, days: list[Ground], *, without: tuple[str, ...], tries: int) -> Answers:
    """The day that nobody has asked for yet, at processes that have begun: slow ones come one after the other."""
    url, _process = served(site, stack, without=without)
    rush(url, days[0], tries=1)
    return rush(url, days[-1], tries=tries)


@pytest.mark.postgres
def test_on_postgresql_the_first_get_the_places_and_the_rest_queue(postgres_site: Site, stack: ExitStack) -> None:
    days = on_each_day(postgres_site, stack)
    found = controlled(postgres_site, stack, days, without=("locks", "haste"), tries=TRIES)
    assert found.states[days[-1].sessions[0], "asked"] > PLACES


def test_on_sqlite_the_first_get_the_places_and_the_rest_queue(sqlite_site: Site, stack: ExitStack) -> None:
    days = on_each_day(sqlite_site, stack)
    assert controlled(sqlite_site, stack, days, without=("immediate", "haste"), tries=1).busy > 0
