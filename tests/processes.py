"""Starting real processes in tests, and waiting for what they say instead of for time to pass."""

import os
import signal
import socket
import subprocess
import threading
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent


def spare_port() -> int:
    with socket.socket() as sock:
        sock.bind(("127.0.0.1", 0))
        return int(sock.getsockname()[1])


def clean_environment(**changes: str) -> dict[str, str]:
    """The environment without the test run's own settings."""
    kept = {
        name: value for name, value in os.environ.items() if not name.startswith(("BROODTIDE_", "DJANGO_", "PYTEST_"))
    }
    return {**kept, "PATH": f"{ROOT / '.venv/bin'}{os.pathsep}{kept['PATH']}", "PYTHONUNBUFFERED": "1", **changes}


class Started:
    """A running process and all that it has said so far."""

    def __init__(self, command: list[str], *, env: dict[str, str]) -> None:
        self.process = subprocess.Popen(
            command,
            cwd=ROOT,
            env=env,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            start_new_session=True,
        )
        self._lines: list[str] = []
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()

    @property
    def said(self) -> str:
        return "".join(self._lines)

    def wait_for(self, words: str, *, seconds: float = 60) -> None:
        wait_until(lambda: words in self.said or self.process.poll() is not None, seconds=seconds)
        assert words in self.said, f"it never said {words!r}, but:\n{self.said}"

    def end(self, number: signal.Signals, *, seconds: float = 30) -> int:
        self.process.send_signal(number)
        return self.ended(seconds=seconds)

    def ended(self, *, seconds: float = 30) -> int:
        code = self.process.wait(seconds)
        self._reader.join(5)
        return code

    def _read(self) -> None:
        assert self.process.stdout is not None
        for line in self.process.stdout:
            self._lines.append(line)


@contextmanager
def started(command: list[str], *, env: dict[str, str]) -> Iterator[Started]:
    """The process, and at the end whatever of its group is left is ended."""
    running = Started(command, env=env)
    try:
        yield running
    finally:
        if running.process.poll() is None:
            running.process.terminate()
            try:
                running.process.wait(20)
            except subprocess.TimeoutExpired:
                os.killpg(running.process.pid, signal.SIGKILL)
                running.process.wait()


def wait_until(holds: Callable[[], bool], *, seconds: float, of: Sequence[Started] = ()) -> None:
    """Until it holds; not when the time is over, nor when one of the processes that it is about has ended."""
    deadline = time.monotonic() + seconds
    while not holds():
        for one in of:
            assert one.process.poll() is None, f"it ended, having said:\n{one.said}"
        assert time.monotonic() < deadline, f"not within {seconds} seconds"
        time.sleep(0.05)


def children_of(pid: int) -> dict[int, str]:
    """Process ids of the direct children with their command lines."""
    found = {}
    for folder in Path("/proc").glob("[0-9]*"):
        try:
            parent = int((folder / "stat").read_text().rpartition(")")[2].split()[1])
            if parent == pid:
                found[int(folder.name)] = (folder / "cmdline").read_text().replace("\0", " ")
        except (FileNotFoundError, ProcessLookupError):
            continue
    return found


def is_running(pid: int) -> bool:
    return Path(f"/proc/{pid}").exists()


class _StayHere(urllib.request.HTTPRedirectHandler):
    def redirect_request(self, *args: object, **kwargs: object) -> None:
        return None


def fetch(url: str, *, headers: dict[str, str] | None = None) -> tuple[int, str]:
    """Status and text, redirects not followed; (0, reason) while nothing answers."""
    request = urllib.request.Request(url, headers=headers or {})
    try:
        with urllib.request.build_opener(_StayHere).open(request, timeout=10) as answer:
            return answer.status, answer.read().decode()
    except urllib.error.HTTPError as error:
        return error.code, error.headers.get("Location") or error.read().decode()
    except OSError as error:
        return 0, str(error)
