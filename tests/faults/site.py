"""An installation of a test's own: its database, its servers, its processes, all on spare ports of this machine."""

import contextlib
import os
import shutil
import signal
import sqlite3
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import psycopg

from tests.processes import ROOT, Started, clean_environment, spare_port, started, wait_until

DATABASE = "postgres"


@dataclass
class Site:
    """`url` : of its database; None: an SQLite file in `folder`."""

    folder: Path
    url: str | None = None
    more: dict[str, str] = field(default_factory=dict)

    @property
    def file(self) -> Path:
        return self.folder / "broodtide.sqlite3"

    @property
    def environment(self) -> dict[str, str]:
        database = {"BROODTIDE_DATABASE_URL": self.url} if self.url else {}
        return clean_environment(
            BROODTIDE_DATA_DIR=str(self.folder), BROODTIDE_STATIC_ROOT=str(self.folder / "static"), **database
        ) | {"PYTHONPATH": str(ROOT), **self.more}

    def run(self, *words: str, check: bool = True) -> subprocess.CompletedProcess[str]:
        """A module of Python's, to its end."""
        command = [sys.executable, "-m", *words]
        done = subprocess.run(command, cwd=ROOT, env=self.environment, capture_output=True, text=True)
        assert done.returncode == 0 or not check, done.stdout + done.stderr
        return done

    def manage(self, *words: str, check: bool = True) -> subprocess.CompletedProcess[str]:
        return self.run("django", *words, "--settings", "config.settings", check=check)

    def seed(self, count: int, **options: float | str) -> None:
        words = [word for name, value in options.items() for word in (f"--{name.replace('_', '-')}", str(value))]
        self.run("tests.faults.seed", str(count), *words)

    @contextmanager
    def running(self, *command: str, without: Sequence[str] = (), **figures: float | str) -> Iterator[Started]:
        """Ended the hard way, with its children: tests of a clean end are elsewhere."""
        with started(_command(command, without, figures), env=self.environment) as process:
            try:
                yield process
            finally:
                with contextlib.suppress(ProcessLookupError):  # it was killed before
                    os.killpg(process.process.pid, signal.SIGKILL)
                process.process.wait()

    def rows(self, query: str) -> list[tuple[Any, ...]]:
        """Read past the program."""
        if self.url:
            with psycopg.connect(self.url, autocommit=True) as connection:
                return list(connection.execute(query.encode()))
        with contextlib.closing(sqlite3.connect(f"file:{self.file}?mode=ro", uri=True, timeout=20)) as connection:
            return list(connection.execute(query))

    def write(self, statement: str) -> None:
        """Change it past the program."""
        assert self.url
        with psycopg.connect(self.url, autocommit=True) as connection:
            connection.execute(statement.encode())

    def tool(self, name: str, *words: str, database_as: str = "--dbname") -> None:
        """One of PostgreSQL's own programs on its database."""
        assert self.url
        subprocess.run([name, *words, database_as, self.url], check=True, capture_output=True)

    def states(self) -> dict[str, int]:
        """How many mails stand in each state."""
        return dict(self.rows("SELECT state, count(*) FROM scheduling_delivery WHERE channel = 'mail' GROUP BY state"))


def _command(words: Sequence[str], without: Sequence[str], figures: dict[str, float | str]) -> list[str]:
    options = [part for name, value in figures.items() for part in (f"--{name.replace('_', '-')}", str(value))]
    guards = [part for name in without for part in ("--without", name)]
    return [sys.executable, "-m", "tests.faults.process", *options, *guards, *words]


def pg_binaries() -> Path:
    """Debian keeps them outside of the path, by version."""
    [*_, newest] = sorted(Path("/usr/lib/postgresql").glob("*/bin"), key=lambda path: int(path.parent.name))
    return newest


class PostgresCluster:
    """A cluster that a test may stop, kill and start again. It keeps nothing that matters."""

    def __init__(self) -> None:
        self.folder = Path(tempfile.mkdtemp(prefix="faults-pg-"))
        self.port = spare_port()
        self.folder.chmod(0o711)
        data = self.folder / "data"
        data.mkdir(mode=0o700)
        if os.getuid() == 0:
            shutil.chown(data, "postgres")
        self._as_owner("initdb", "-D", str(data), "-A", "trust", "-U", "broodtide", "-E", "UTF8", "--locale=C.UTF-8")
        self.start()

    def url(self, name: str = DATABASE) -> str:
        return f"postgres://broodtide@127.0.0.1:{self.port}/{name}"

    def start(self) -> None:
        options = (
            f"-p {self.port} -c listen_addresses=127.0.0.1 -c unix_socket_directories= -c fsync=off"
            " -c max_connections=60 -c shared_buffers=32MB"
        )
        log = str(self.folder / "data" / "server.log")
        self._as_owner("pg_ctl", "-D", str(self.folder / "data"), "-s", "-w", "-l", log, "-o", options, "start")

    def stop(self, mode: str = "immediate") -> None:
        """`immediate` : as if its power were cut; what was committed is in the log and is replayed at the start."""
        self._as_owner("pg_ctl", "-D", str(self.folder / "data"), "-s", "-w", "-m", mode, "stop")

    def remove(self) -> None:
        with contextlib.suppress(subprocess.CalledProcessError):  # it may stand stopped
            self.stop()
        shutil.rmtree(self.folder)

    def _as_owner(self, name: str, *words: str) -> None:
        command = [str(pg_binaries() / name), *words]
        if os.getuid() == 0:
            command = ["runuser", "-u", "postgres", "--", *command]
        subprocess.run(command, check=True, capture_output=True, cwd=self.folder)


class RedisServer:
    """A broker that a test may empty, kill and start again."""

    def __init__(self) -> None:
        self.port = spare_port()
        self._folder = tempfile.mkdtemp(prefix="faults-redis-")
        self._process: subprocess.Popen[bytes] | None = None
        self.start()

    def start(self) -> None:
        command = ["redis-server", "--bind", "127.0.0.1", "--port", str(self.port), "--save", "", "--appendonly", "no"]
        self._process = subprocess.Popen(command, cwd=self._folder, stdout=subprocess.DEVNULL)
        self.wait()

    def wait(self) -> None:
        wait_until(lambda: self.ask("PING") == "PONG", seconds=20)

    @property
    def is_running(self) -> bool:
        return self._process is not None

    def ask(self, *words: str) -> str:
        command = ["redis-cli", "-p", str(self.port), *words]
        return subprocess.run(command, capture_output=True, text=True, timeout=10).stdout.strip()

    def kill(self) -> None:
        assert self._process is not None
        self._process.send_signal(signal.SIGKILL)
        self._process.wait()
        self._process = None

    def remove(self) -> None:
        if self._process is not None:
            self.kill()
        shutil.rmtree(self._folder)


def schema_load(dump: Path, url: str) -> None:
    """Into an empty database."""
    command = ["psql", "--quiet", "--no-psqlrc", "--set", "ON_ERROR_STOP=1", "--file", str(dump), "--dbname", url]
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL)


@contextmanager
def own_database(server: str, name: str, template: str | None = None) -> Iterator[str]:
    """An empty database (or a copy of `template`) on a running server; dropped at the end."""
    with psycopg.connect(server, autocommit=True) as connection:
        connection.execute(f"DROP DATABASE IF EXISTS {name} WITH (FORCE)".encode())
        copy = f" TEMPLATE {template}" if template else ""
        connection.execute(f"CREATE DATABASE {name}{copy}".encode())
    try:
        yield urlsplit(server)._replace(path=f"/{name}").geturl()
    finally:
        with psycopg.connect(server, autocommit=True) as connection:
            connection.execute(f"DROP DATABASE IF EXISTS {name} WITH (FORCE)".encode())
