"""Many members ask for the places of a few bench days at one moment, over HTTP, each with a key of their own.

    python -m tests.faults.rush 200 --places 20      # makes them where the environment says, and prints them as JSON

The season is that of the browser tests: whoever serves it is started with `--now` as in `NOW`.
"""

import argparse
import datetime as dt
import http.client
import json
import threading
import time
import uuid
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any
from urllib.parse import urlsplit

from tests.faults.site import Site

NOW = "2026-05-04T06:00:00+00:00"
CELLS = 200
DRONES = 2_000  # enough for everybody: places alone are scarce
DAY = dt.timedelta(days=1)
TRIES = 20  # of one request, while the server says 503 and when to come again


@dataclass(frozen=True)
class Client:
    """`token` : of a person who may book for the owner of `batch`."""

    token: str
    batch: int


@dataclass(frozen=True)
class Ground:
    """What there is to ask for. `places` : of each session."""

    clients: list[Client]
    source: int
    sessions: list[int]
    places: int


@dataclass
class Answers:
    """`took_s` : of each answered attempt, a 503 among them; `busy` : how many 503s; `states` : of what was booked;
    `bodies` : of refusals."""

    statuses: Counter[int] = field(default_factory=Counter)
    states: Counter[tuple[int, str]] = field(default_factory=Counter)
    took_s: list[float] = field(default_factory=list)
    bodies: list[str] = field(default_factory=list)
    broken_off: int = 0
    tries: int = TRIES
    seconds: float = 0.0

    @property
    def busy(self) -> int:
        return self.statuses[503]

    @property
    def broken(self) -> int:
        return sum(n for status, n in self.statuses.items() if status >= 500 and status != 503)

    def late_s(self, share: float) -> float:
        return sorted(self.took_s)[min(len(self.took_s) - 1, int(share * len(self.took_s)))]


def seeded(site: Site, clients: int, *, places: int, sessions: int = 1) -> Ground:
    said = site.run("tests.faults.rush", str(clients), "--places", str(places), "--sessions", str(sessions)).stdout
    facts = json.loads(said.splitlines()[-1])
    return Ground([Client(**one) for one in facts["clients"]], facts["source"], facts["sessions"], places)


def rush(url: str, ground: Ground, *, each: int = 1, tries: int = TRIES) -> Answers:
    """Everybody waits for the last to be ready, then asks `each` times for one queen, session by session in turn."""
    found, lock = Answers(tries=tries), threading.Lock()
    barrier = threading.Barrier(len(ground.clients) + 1)
    threads = [
        threading.Thread(target=_asks, args=(url, ground, number, each, barrier, found, lock))
        for number in range(len(ground.clients))
    ]
    for thread in threads:
        thread.start()
    barrier.wait()
    began = time.monotonic()
    for thread in threads:
        thread.join()
    found.seconds = time.monotonic() - began
    return found


def _asks(
    url: str, ground: Ground, number: int, each: int, barrier: threading.Barrier, found: Answers, lock: threading.Lock
) -> None:
    client = ground.clients[number]
    connection = http.client.HTTPConnection(urlsplit(url).netloc, timeout=120)
    barrier.wait()
    for turn in range(each):
        session = ground.sessions[(number + turn) % len(ground.sessions)]
        body = {"batch": client.batch, "queens": 1, "sources": [ground.source], "session": session}
        _one(connection, client, json.dumps(body), session, found, lock)
    connection.close()


def _one(
    connection: http.client.HTTPConnection,
    client: Client,
    body: str,
    session: int,
    found: Answers,
    lock: threading.Lock,
) -> None:
    """One request with its key, and again with the same while the server is busy, as its answer asks for."""
    headers = {
        "Authorization": f"Bearer {client.token}",
        "Content-Type": "application/json",
        "Idempotency-Key": str(uuid.uuid4()),
    }
    for _try in range(found.tries):
        began = time.monotonic()
        try:
            connection.request("POST", "/api/v1/bookings/", body, headers)
            answer = connection.getresponse()
            text = answer.read().decode()
        except (http.client.HTTPException, OSError):  # the server ended an idle connection: asked again on a new one
            connection.close()
            with lock:
                found.broken_off += 1
            continue
        took = time.monotonic() - began
        with lock:
            found.statuses[answer.status] += 1
            found.took_s.append(took)
            if answer.status == 201:
                found.states[session, json.loads(text)["state"]] += 1
            elif answer.status != 503:
                found.bodies.append(text[:300])
        if answer.status != 503:
            return
        time.sleep(min(2.0, float(answer.headers.get("Retry-After", "1"))))  # it says how long


def _seed(clients: int, *, places: int, sessions: int) -> dict[str, Any]:
    from accounts.access import viewer_of
    from accounts.models import Scope
    from accounts.services.tokens import token_make
    from tests.browser.world import FIRST_DAY, Clock, batch_grafted, day_opened, source_offered, world_make
    from tests.factories import MemberFactory, MemberPersonFactory, PersonFactory

    world = world_make(Clock(dt.datetime.fromisoformat(NOW)))
    of_drones, *others = world.mated_queens(world.members[0])
    unrelated = next(one for one in others if one.line_id != of_drones.line_id)
    today = FIRST_DAY.date()
    source = source_offered(world, 0, name="Ling", drone_queen=of_drones, comb_in_on=today - 23 * DAY, capped=DRONES)
    made = []
    for number in range(clients):
        member = MemberFactory(cooperative=world.cooperative)
        person = PersonFactory(email=f"asks{number}@example.org")
        MemberPersonFactory(member=member, person=person)
        world.members.append(member)
        world.keepers.append(person)
        place = len(world.members) - 1
        batch = batch_grafted(world, place, name=f"Rowan {number}", mother=unrelated, on=today, cells=CELLS)
        viewer = viewer_of(person, world.cooperative.pk)
        assert viewer
        _token, key = token_make(viewer, name="rush", scopes=[Scope.BOOKINGS], days=None, now=world.clock.now)
        made.append({"token": key, "batch": batch.pk})
    days = [day_opened(world, today + (20 + number) * DAY, places=places) for number in range(sessions)]
    return {"clients": made, "source": source.pk, "sessions": [one.pk for one in days]}


def main(words: Sequence[str] | None = None) -> None:
    import os

    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")
    import django

    django.setup()
    parser = argparse.ArgumentParser()
    parser.add_argument("clients", type=int)
    parser.add_argument("--places", type=int, required=True)
    parser.add_argument("--sessions", type=int, default=1)
    chosen = parser.parse_args(words)
    print(json.dumps(_seed(chosen.clients, places=chosen.places, sessions=chosen.sessions)))


if __name__ == "__main__":
    main()
