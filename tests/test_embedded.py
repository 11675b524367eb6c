"""`make run`'s parent with its real children."""

import os
import shutil
import signal
import socket
import sqlite3
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from django.core.management import call_command
from django.core.management.base import CommandError

from accounts.management.commands.run_embedded import child_commands, free_port, welcome
from accounts.models import Role
from accounts.practice import PRACTICE_PASSWORD
from tests.factories import CooperativeFactory, PersonFactory, RoleGrantFactory
from tests.processes import (
    Started,
    children_of,
    clean_environment,
    fetch,
    is_running,
    spare_port,
    started,
    wait_until,
)


@contextmanager
def embedded(folder: Path, port: int, **more: str) -> Iterator[Started]:
    command = [sys.executable, "manage.py", "run_embedded", "--port", str(port), "--empty"]
    with started(command, env=clean_environment(BROODTIDE_DATA_DIR=str(folder), **more)) as running:
        yield running


@pytest.fixture
def prepared(tmp_path: Path, sqlite_schema: Path) -> Path:
    """A folder of its own in which the database is prepared already."""
    shutil.copy(sqlite_schema, tmp_path / "broodtide.sqlite3")
    return tmp_path


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_it_starts_empty_says_where_it_is_and_stops_everything_cleanly(
    tmp_path: Path, sqlite_schema: Path, number: signal.Signals
) -> None:
    port = spare_port()
    if number == signal.SIGTERM:  # once from nothing, once with a database that nobody has used
        shutil.copy(sqlite_schema, tmp_path / "broodtide.sqlite3")
    with embedded(tmp_path, port) as running:
        running.wait_for("Ctrl-C stops it.")
        assert f"Broodtide is running: http://127.0.0.1:{port}" in running.said
        assert "making your cooperative" in running.said
        assert fetch(f"http://127.0.0.1:{port}/healthz/live") == (200, "alive\n")
        wait_until(
            lambda: fetch(f"http://127.0.0.1:{port}/healthz/ready") == (200, "ready\n"), seconds=30, of=[running]
        )
        children = children_of(running.process.pid)
        assert len(children) == 3
        assert running.end(number) == 0
    assert [pid for pid in children if is_running(pid)] == []
    assert running.said.endswith("Stopped. Everything entered is kept.\n")
    assert {path.name for path in tmp_path.iterdir()} <= {
        *{"secret_key", "broodtide.sqlite3", "broodtide.sqlite3-wal", "broodtide.sqlite3-shm"}
    }


@pytest.mark.parametrize(("words", "name"), [("run_worker", "worker"), ("run_ticker", "minute sweep")])
def test_when_one_child_falls_all_stop_and_it_says_which(prepared: Path, words: str, name: str) -> None:
    behind_a_proxy = {"BROODTIDE_HOSTS": "bees.example.org", "BROODTIDE_HTTPS": "1", "BROODTIDE_BEHIND_PROXY": "1"}
    with embedded(prepared, spare_port(), **behind_a_proxy) as running:
        running.wait_for("Ctrl-C stops it.")
        children = children_of(running.process.pid)
        [victim] = [pid for pid, line in children.items() if words in line]
        os.kill(victim, signal.SIGKILL)
        assert running.ended() == 3
    assert f"The {name} process ended by itself (code -9), so everything was stopped." in running.said
    assert [pid for pid in children if is_running(pid)] == []


def test_what_was_entered_is_there_after_a_restart(prepared: Path) -> None:
    with embedded(prepared, spare_port()) as running:
        running.wait_for("Ctrl-C stops it.")
        with sqlite3.connect(prepared / "broodtide.sqlite3") as database:
            database.execute(
                "INSERT INTO accounts_cooperative (name, time_zone, language, is_practice, created_at,"
                " deputy_after_min, coordinator_after_min, deputy_after_day_min, coordinator_after_day_min)"
                " VALUES ('Upper valley', 'Europe/Berlin', 'en-gb', 0, '2026-01-01 00:00:00', 15, 45, 360, 540)"
            )
        database.close()
        assert running.end(signal.SIGINT) == 0
    with embedded(prepared, spare_port()) as running:
        running.wait_for("Ctrl-C stops it.")
        assert "Preparing the database" not in running.said
        assert "making your cooperative" not in running.said
    with sqlite3.connect(prepared / "broodtide.sqlite3") as database:
        assert database.execute("SELECT name FROM accounts_cooperative").fetchall() == [("Upper valley",)]
    database.close()


def test_a_taken_port_is_said_before_anything_starts() -> None:
    with socket.socket() as holder:
        holder.bind(("127.0.0.1", 0))
        holder.listen()
        port = holder.getsockname()[1]
        with pytest.raises(CommandError, match=f"Port {port} is taken.*make run PORT="):
            call_command("run_embedded", port=str(port), empty=True)


@pytest.mark.parametrize("text", ["", "no", "0", "65536", "-1", "８０"])
def test_an_impossible_port_is_refused_in_words(text: str) -> None:
    with pytest.raises(CommandError, match="write a whole number"):
        free_port(text)


def test_the_served_mode_has_no_parent(settings) -> None:
    settings.SERVED = True
    with pytest.raises(CommandError, match=r"docs/operations\.md"):
        call_command("run_embedded", port=str(spare_port()))


def test_the_web_process_listens_on_this_machine_alone() -> None:
    web = child_commands(8123)["web"]
    assert web[web.index("--bind") + 1] == "127.0.0.1:8123"


@pytest.mark.django_db
def test_the_welcome_shows_how_to_sign_in_to_the_practice_season() -> None:
    practice = CooperativeFactory(is_practice=True)
    RoleGrantFactory(cooperative=practice, role=Role.BREEDER, person=PersonFactory(email="breeder@example.org"))
    assert list(welcome("http://127.0.0.1:8000")) == [
        "",
        "Broodtide is running: http://127.0.0.1:8000",
        "Sign in to the practice season as",
        "  Breeder  breeder@example.org",
        f"with the password: {PRACTICE_PASSWORD}",
        "Ctrl-C stops it.",
        "",
    ]


@pytest.mark.django_db
def test_the_welcome_to_a_real_cooperative_gives_no_password_away() -> None:
    RoleGrantFactory(role=Role.BREEDER)
    assert list(welcome("http://127.0.0.1:8000"))[1:-1] == [
        "Broodtide is running: http://127.0.0.1:8000",
        "Ctrl-C stops it.",
    ]
