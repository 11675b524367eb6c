"""The whole program on one machine: web, worker and minute sweep under one parent."""

import os
import signal
import socket
import subprocess
import sys
import threading
import time
import urllib.error
import urllib.request
from argparse import ArgumentParser
from collections.abc import Callable, Iterator
from types import FrameType
from typing import Any

from django.conf import settings
from django.core.management import call_command
from django.core.management.base import BaseCommand, CommandError
from django.db import connection
from django.db.migrations.executor import MigrationExecutor

from accounts.models import Cooperative
from accounts.practice import PRACTICE_PASSWORD, practice_sign_ins

HOST = "127.0.0.1"
STOP_SECONDS = 10.0
ANSWER_SECONDS = 60.0


class Command(BaseCommand):
    help = "Start the program on this machine: prepares the database, then runs web, worker and minute sweep."
    requires_system_checks = ()  # the children make them; the person waits

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--port", default="8000", help="Port on this machine's loopback address.")
        parser.add_argument("--empty", action="store_true", help="Do not load the practice season.")

    def handle(self, *args: Any, **options: Any) -> None:
        if settings.SERVED:
            raise CommandError("BROODTIDE_MODE is served: each process is started by itself (docs/operations.md).")
        port = free_port(options["port"])
        try:
            self._prepare(empty=options["empty"])
        except KeyboardInterrupt:
            raise CommandError("Stopped before it was ready. Start it again.", returncode=130) from None
        address = f"http://{HOST}:{port}"
        family = Family(child_commands(port), env={"BROODTIDE_SITE_URL": address, **os.environ})
        watcher = threading.Thread(target=self._announce, args=(address, family), daemon=True)
        with family:
            watcher.start()
            fallen = family.wait()
        if fallen is not None:
            name, code = fallen
            raise CommandError(
                f"The {name} process ended by itself (code {code}), so everything was stopped.",
                returncode=3,
            )
        self.stdout.write("Stopped. Everything entered is kept.")

    def _prepare(self, *, empty: bool) -> None:
        executor = MigrationExecutor(connection)
        if executor.migration_plan(executor.loader.graph.leaf_nodes()):
            self.stdout.write("Preparing the database")
            call_command("migrate", interactive=False, verbosity=0)
        if not empty:
            call_command("practice", stdout=self.stdout)
        connection.close()

    def _announce(self, address: str, family: "Family") -> None:
        """Say where it is, once it really answers."""
        try:
            if answers(f"{address}/healthz/live", unless=family.is_stopping):
                self.stdout.write("\n".join(welcome(address)))
                self.stdout.flush()
            elif not family.is_stopping():
                self.stderr.write(f"The web process has not answered at {address} for {ANSWER_SECONDS:.0f} seconds.")
        finally:
            connection.close()


class Family:
    """Child processes that live and end together.

    Each child leads a process group of its own: Ctrl-C in the terminal reaches the parent alone, which then
    ends the children in order, and a child's own helpers end with it.
    """

    def __init__(self, commands: dict[str, list[str]], *, env: dict[str, str]) -> None:
        self._commands = commands
        self._env = env
        self._children: dict[str, subprocess.Popen[bytes]] = {}
        self._asked = threading.Event()

    def __enter__(self) -> "Family":
        for number in (signal.SIGINT, signal.SIGTERM):
            signal.signal(number, self._on_signal)
        try:
            for name, command in self._commands.items():
                if not self.is_stopping():
                    self._children[name] = self._start(command)
        except BaseException:
            self._stop()
            raise
        return self

    def __exit__(self, *exc: object) -> None:
        self._stop()

    def is_stopping(self) -> bool:
        return self._asked.is_set()

    def wait(self) -> tuple[str, int] | None:
        """Until somebody asks to stop (None) or a child ends by itself (its name and exit code)."""
        while not self._asked.wait(0.2):
            for name, child in self._children.items():
                if (code := child.poll()) is not None:
                    return name, code
        return None

    def _start(self, command: list[str]) -> subprocess.Popen[bytes]:
        return subprocess.Popen(  # noqa: S603 - our own command lines
            command,
            env=self._env,
            cwd=settings.BASE_DIR,
            stdin=subprocess.DEVNULL,
            start_new_session=True,
        )

    def _on_signal(self, number: int, frame: FrameType | None) -> None:
        self._asked.set()

    def _stop(self) -> None:
        self._asked.set()
        for child in self._children.values():
            _signal_group(child, signal.SIGTERM)
        deadline = time.monotonic() + STOP_SECONDS
        for child in self._children.values():
            try:
                child.wait(max(0.0, deadline - time.monotonic()))
            except subprocess.TimeoutExpired:
                _signal_group(child, signal.SIGKILL)
                child.wait()


def _signal_group(child: subprocess.Popen[bytes], number: signal.Signals) -> None:
    if child.poll() is None:
        try:
            os.killpg(child.pid, number)
        except ProcessLookupError:
            return


def child_commands(port: int) -> dict[str, list[str]]:
    manage = [sys.executable, str(settings.BASE_DIR / "manage.py")]
    web = [
        *[sys.executable, "-m", "gunicorn", "config.wsgi:application"],
        *["--bind", f"{HOST}:{port}", "--worker-class", "gthread", "--workers", "1", "--threads", "8"],
        # Nothing is written outside the data folder.
        *["--worker-tmp-dir", str(settings.DATA_DIR), "--no-control-socket"],
        *["--graceful-timeout", "8", "--log-level", "warning"],
        *["--logger-class", "config.gunicorn_logs.QuietLogger"],
    ]
    return {"web": web, "worker": [*manage, "run_worker"], "minute sweep": [*manage, "run_ticker"]}


def free_port(text: str) -> int:
    if not text.isascii() or not text.isdigit() or not 1 <= int(text) <= 65535:
        raise CommandError(f"PORT is {text!r}; write a whole number up to 65535: make run PORT=8123.")
    port = int(text)
    with socket.socket() as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((HOST, port))
        except PermissionError:
            raise CommandError(f"Port {port} is the administrator's. Choose one above 1023.") from None
        except OSError:
            raise CommandError(
                f"Port {port} is taken, perhaps by this program in another window. Stop it, or "
                f" choose another port: make run PORT={port + 1 if port < 65535 else 8000}"
            ) from None
    return port


def answers(url: str, *, unless: Callable[[], bool]) -> bool:
    deadline = time.monotonic() + ANSWER_SECONDS
    while time.monotonic() < deadline and not unless():
        try:
            # Our own loopback.
            with urllib.request.urlopen(url, timeout=5) as answer:  # noqa: S310  # nosec
                return bool(answer.status == 200)
        except (urllib.error.URLError, OSError):
            time.sleep(0.1)
    return False


def welcome(address: str) -> Iterator[str]:
    yield ""
    yield f"Broodtide is running: {address}"
    signs = practice_sign_ins()
    width = max((len(sign.role) for sign in signs), default=0)
    if signs:
        yield "Sign in to the practice season as"
        yield from (f"  {sign.role:<{width}}  {sign.email}" for sign in signs)
        yield f"with the password: {PRACTICE_PASSWORD}"
    elif not Cooperative.objects.exists():
        yield "Nothing is here yet: open the address, it walks you through making your cooperative."
    yield "Ctrl-C stops it."
    yield ""
