"""No room for the database, or it may only be read: said in words, nothing breaks, and all goes out once that is over.

The web process and the sweep run on all the while; nobody starts them anew.
"""

import contextlib
import http.client
import re
import resource
import shutil
import sqlite3
import subprocess
import time
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import urlencode, urlsplit

import psycopg
import pytest

from tests.faults.conftest import IS_LONG
from tests.faults.seed import address_of, expected
from tests.faults.sink import Sink
from tests.faults.site import Site
from tests.faults.test_kill import is_settled
from tests.processes import Started, spare_port, wait_until

ROWS = 150
DUE_IN_SECONDS = 5
DUE_SOON = (
    "UPDATE scheduling_reminder SET due_at = {moment}, base_due_at = {moment}, tell_at = {moment} WHERE told_at IS NULL"
)
ROOM_PAGES = 5
CATCH_UP_SECONDS = 60

Pids = Callable[[], list[int]]


class Browser:
    """Somebody at the sign-in page, which writes down each try."""

    def __init__(self, url: str) -> None:
        self.at = urlsplit(url)

    def ask(
        self, method: str, path: str, fields: dict[str, str] | None = None, cookie: str = ""
    ) -> tuple[int, str, str]:
        """Status, when to come again, and text. Status 0: no answer yet."""
        connection = http.client.HTTPConnection(self.at.hostname or "", self.at.port, timeout=30)
        headers = {"Accept": "text/html", "Cookie": cookie, "Content-Type": "application/x-www-form-urlencoded"}
        try:
            connection.request(method, path, body=urlencode(fields or {}), headers=headers)
            answer = connection.getresponse()
            self.cookie = answer.getheader("Set-Cookie", "").partition(";")[0]
            return answer.status, answer.getheader("Retry-After", ""), answer.read().decode()
        except OSError:
            return 0, "", ""
        finally:
            connection.close()

    def sign_in(self) -> tuple[int, str, str]:
        """Try to; the password is wrong, so 200 says that the try was written down."""
        status, again, page = self.ask("GET", "/sign-in/")
        if status == 503:
            return status, again, page
        token = re.search(r'name="csrfmiddlewaretoken" value="(\w+)"', page)
        assert token is not None, (status, page)
        fields = {"email": address_of(0), "password": "a wrong password", "csrfmiddlewaretoken": token[1]}
        return self.ask("POST", "/sign-in/", fields, self.cookie)


@dataclass(frozen=True)
class Fault:
    """Turned on and off while everything runs.

    words : what the sweep writes into its log.
    stops_little : whether a web process has nothing left for one small row either.
    """

    on: Callable[[], object]
    off: Callable[[], object]
    words: str
    stops_little: bool = True


def full(site: Site, _pids: Pids) -> Fault:
    """The file must not grow by more than a few pages: writing then fails as on a full disk."""
    pages = site.rows("PRAGMA page_count")[0][0] + ROOM_PAGES
    return _told(site, f"max_page_count = {pages}", "database or disk is full", stops_little=False)


def read_only(site: Site, _pids: Pids) -> Fault:
    return _told(site, "query_only = 1", "attempt to write a readonly database")


def _told(site: Site, pragma: str, words: str, *, stops_little: bool = True) -> Fault:
    file = site.folder / "pragma"
    return Fault(lambda: file.write_text(pragma), file.unlink, words, stops_little)


def no_write(_site: Site, pids: Pids) -> Fault:
    """The system takes not one byte more of these processes, in whatever file."""

    def limit(most: int) -> None:
        for pid in pids():
            resource.prlimit(pid, resource.RLIMIT_FSIZE, (most, resource.RLIM_INFINITY))

    return Fault(lambda: limit(0), lambda: limit(resource.RLIM_INFINITY), "disk I/O error")


def small_disk(site: Site, _pids: Pids) -> Fault:
    """A file system of its own, filled to its last byte. A small row still finds room in the log that is there."""
    filler = site.folder / "filler"

    def fill() -> None:
        with contextlib.suppress(OSError), filler.open("wb", buffering=0) as file:
            while True:
                file.write(bytes(4096))

    return Fault(fill, filler.unlink, "database or disk is full", stops_little=False)


def read_only_on_postgresql(site: Site, _pids: Pids) -> Fault:
    """As after a switch to a standby, or when its keeper shuts it for writing."""
    name = urlsplit(site.url or "").path.strip("/")

    def shut(on: str) -> None:
        with psycopg.connect(site.url or "", autocommit=True, options="-c default_transaction_read_only=off") as keeper:
            keeper.execute(f"ALTER DATABASE {name} SET default_transaction_read_only = {on}".encode())

    return Fault(lambda: shut("on"), lambda: shut("off"), "read-only transaction")


def with_children(pid: int) -> list[int]:
    children = Path(f"/proc/{pid}/task/{pid}/children").read_text().split()
    return [pid, *(found for child in children for found in with_children(int(child)))]


def web(site: Site, stack: ExitStack, *without: str) -> tuple[Browser, Started]:
    """A web process that leaves the sweep to the sweep."""
    port = spare_port()
    site.manage("collectstatic", "--no-input", "--verbosity", "0")
    site.more |= {"BROODTIDE_WEB_HELPS_SWEEP": "0"}
    words = ["gunicorn", "config.wsgi:application", "--bind", f"127.0.0.1:{port}", "--threads", "2"]
    process = stack.enter_context(
        site.running(*words, "--worker-class", "gthread", "--no-control-socket", without=without, **_figures(site))
    )
    browser = Browser(f"http://127.0.0.1:{port}")
    wait_until(lambda: browser.ask("GET", "/healthz/live")[0] == 200, seconds=60, of=[process])
    return browser, process


def fall_due(site: Site) -> None:
    """Whatever is to come is due in some seconds: written past the program, so that no slow start comes between."""
    if site.url:
        site.write(DUE_SOON.format(moment=f"now() + interval '{DUE_IN_SECONDS} seconds'"))
        return
    with contextlib.closing(sqlite3.connect(site.file, timeout=20)) as connection, connection:
        soon = f"strftime('%Y-%m-%d %H:%M:%f000', 'now', '+{DUE_IN_SECONDS} seconds')"
        connection.execute(DUE_SOON.format(moment=soon))


def _figures(site: Site) -> dict[str, str]:
    return {"pragma_file": str(site.folder / "pragma")}


def breaks_and_goes_on(site: Site, sink: Sink, stack: ExitStack, fault_of: Callable[[Site, Pids], Fault]) -> None:
    browser, server = web(site, stack)
    site.seed(1)
    sweep = stack.enter_context(site.running("run_ticker", tick="0.5", **_figures(site)))
    wait_until(lambda: is_settled(site), seconds=60, of=[server, sweep])
    site.seed(ROWS, first=1, from_now=3600)
    fault = fault_of(site, lambda: [*with_children(server.process.pid), *with_children(sweep.process.pid)])
    fall_due(site)
    fault.on()

    sweep.wait_for(fault.words)
    sweep.wait_for("the next one goes on with the same rows")
    if fault.stops_little:
        status, again, page = browser.sign_in()
        assert (status, again) == (503, "30"), server.said
        assert "Nothing can be kept just now" in page
        assert "Nothing was changed" in page
    assert browser.ask("GET", "/healthz/live")[0] == 200
    assert browser.ask("GET", "/healthz/ready")[0] in (200, 503)

    fault.off()
    began = time.monotonic()
    wait_until(lambda: sink.told() == expected(1 + ROWS), seconds=2 * CATCH_UP_SECONDS, of=[server, sweep])
    assert time.monotonic() - began < CATCH_UP_SECONDS + DUE_IN_SECONDS
    wait_until(lambda: is_settled(site), seconds=30, of=[server, sweep])
    assert (sink.repeats(), sink.doubled()) == (0, [])
    assert browser.sign_in()[0] == 200


@pytest.mark.parametrize("fault", [full, read_only, no_write])
def test_on_sqlite_nothing_breaks_and_all_goes_out_once_it_is_over(
    sqlite_site: Site, sink: Sink, stack: ExitStack, fault: Callable[[Site, Pids], Fault]
) -> None:
    breaks_and_goes_on(sqlite_site, sink, stack, fault)
    assert sqlite_site.rows("PRAGMA integrity_check") == [("ok",)]


if IS_LONG:  # needs the right to mount

    def test_the_same_on_a_small_disk(tmp_path: Path, sqlite_schema: Path, sink: Sink, stack: ExitStack) -> None:
        subprocess.run(["mount", "-t", "tmpfs", "-o", "size=48m", "tmpfs", str(tmp_path)], check=True)
        stack.callback(subprocess.run, ["umount", "--lazy", str(tmp_path)], check=True)
        site = Site(tmp_path, more=sink.environment)
        shutil.copy(sqlite_schema, site.file)
        breaks_and_goes_on(site, sink, stack, small_disk)
        assert site.rows("PRAGMA integrity_check") == [("ok",)]


@pytest.mark.postgres
def test_on_postgresql_that_may_only_be_read_the_same(postgres_site: Site, sink: Sink, stack: ExitStack) -> None:
    breaks_and_goes_on(postgres_site, sink, stack, read_only_on_postgresql)


def test_control_without_the_answer_in_words_it_is_a_fault_of_the_program(sqlite_site: Site, stack: ExitStack) -> None:
    sqlite_site.seed(1)
    browser, _server = web(sqlite_site, stack, "503")
    read_only(sqlite_site, list).on()
    status, again, page = browser.sign_in()
    assert (status, again) == (500, "")
    assert "Something broke on our side" in page


def test_control_with_room_the_sweep_sends_at_once(sqlite_site: Site, sink: Sink) -> None:
    sqlite_site.seed(ROWS)
    (sqlite_site.folder / "pragma").write_text("max_page_count = 1000000")
    file = str(sqlite_site.folder / "pragma")
    said = sqlite_site.run("tests.faults.process", "--pragma-file", file, "run_ticker", "--once").stderr
    assert "disk is full" not in said
    assert len(sink.taken) > 0
