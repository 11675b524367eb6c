"""The very command lines of docker-compose.yml, without containers, against PostgreSQL and Redis."""

import os
import subprocess
import sys
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path
from urllib.parse import urlsplit

import psycopg
import pytest

from tests.processes import ROOT, Started, clean_environment, fetch, spare_port, started, wait_until
from tests.test_compose import OURS, command_of

pytestmark = [pytest.mark.postgres, pytest.mark.redis]
HOST = "broodtide.example"


@pytest.fixture
def served_environment(tmp_path: Path) -> Iterator[dict[str, str]]:
    """A database and a broker of its own, for this one installation."""
    url = os.environ["BROODTIDE_DATABASE_URL"]
    name = f"served_{os.getpid()}"
    with psycopg.connect(url, autocommit=True) as connection:
        connection.execute(f"DROP DATABASE IF EXISTS {name} WITH (FORCE)")
        connection.execute(f"CREATE DATABASE {name}")
    broker = urlsplit(os.environ["BROODTIDE_REDIS_URL"])
    yield clean_environment(
        BROODTIDE_MODE="served",
        BROODTIDE_SECRET_KEY="k" * 60,
        BROODTIDE_DATABASE_URL=urlsplit(url)._replace(path=f"/{name}").geturl(),
        BROODTIDE_REDIS_URL=broker._replace(path="/9").geturl(),
        BROODTIDE_HOSTS=f"{HOST},127.0.0.1",
        BROODTIDE_SITE_URL=f"https://{HOST}",
        BROODTIDE_BEHIND_PROXY="1",
        BROODTIDE_STATIC_ROOT=str(tmp_path / "static"),
    )
    with psycopg.connect(url, autocommit=True) as connection:
        connection.execute(f"DROP DATABASE IF EXISTS {name} WITH (FORCE)")


def command_line(name: str, *, port: int, folder: Path) -> list[str]:
    """As in the compose file; only the port, and the folders that are a container's own, are this test's."""
    words = [
        word.replace("0.0.0.0:8000", f"127.0.0.1:{port}").replace("/tmp/beat-schedule", str(folder / "beat"))
        for word in command_of(name)
    ]
    return [sys.executable if words[0] == "python" else words[0], *words[1:]]


def test_the_served_installation_starts_becomes_ready_and_stops(
    served_environment: dict[str, str], tmp_path: Path
) -> None:
    env, port = served_environment, spare_port()
    live, ready = (f"http://127.0.0.1:{port}/healthz/{name}" for name in ("live", "ready"))
    # The image's own step.
    collect = [sys.executable, "manage.py", "collectstatic", "--no-input", "--verbosity", "0"]
    subprocess.run(collect, env=env, cwd=ROOT, check=True, capture_output=True)
    with ExitStack() as stack:

        def start(name: str) -> None:
            command = command_line(name, port=port, folder=tmp_path)
            running[name] = stack.enter_context(started(command, env=env))

        running: dict[str, Started] = {}
        start("web")
        wait_until(lambda: fetch(live)[0] == 200, seconds=60, of=[running["web"]])
        status, words = fetch(ready)
        assert status == 503
        assert words.startswith("The database lacks")

        migrate = command_line("migrate", port=port, folder=tmp_path)
        subprocess.run(migrate, env=env, cwd=ROOT, check=True, capture_output=True)
        status, words = fetch(ready)
        assert (status, words.split(",")[0]) == (503, "The minute sweep has never run")

        for name in set(OURS) - {"web", "migrate"}:
            start(name)
        wait_until(lambda: fetch(ready) == (200, "ready\n"), seconds=60, of=list(running.values()))
        check = [sys.executable, "manage.py", "check_ready"]
        assert subprocess.run(check, env=env, cwd=ROOT, capture_output=True, text=True).stdout == "ready\n"

        assert fetch(f"http://127.0.0.1:{port}/healthz/live", headers={"Host": "elsewhere.example"})[0] == 400
        assert {name: one.process.poll() for name, one in running.items()} == dict.fromkeys(running)
    assert {name: one.process.returncode for name, one in running.items()} == dict.fromkeys(running, 0)
