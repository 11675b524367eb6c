"""A copy by one command, put back by one: nothing of before is told anew; what is wrong is said before it harms."""

import re
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from tests.faults.seed import expected
from tests.faults.sink import Sink
from tests.faults.site import Site

ROWS = 7
LATER = 3
LONG_AGO = "UPDATE scheduling_heartbeat SET at = '2020-01-01 00:00:00+00:00'"


def copy_of(site: Site, *more: str) -> Path:
    said = site.manage("backup", *more).stdout
    return Path(said.split(" (")[0])


def stood_still(site: Site) -> None:
    """As if everything had been stopped a while ago."""
    if site.url:
        site.write(LONG_AGO)
        return
    with closing(sqlite3.connect(site.file)) as connection, connection:
        connection.execute(LONG_AGO)


@pytest.fixture(params=["sqlite", pytest.param("postgres", marks=pytest.mark.postgres)])
def site(request: pytest.FixtureRequest) -> Site:
    one: Site = request.getfixturevalue(f"{request.param}_site")
    return one


def test_put_back_by_one_command_it_tells_nothing_of_before_and_all_that_comes(site: Site, sink: Sink) -> None:
    site.seed(ROWS)
    copy = copy_of(site)
    assert copy.stat().st_mode & 0o077 == 0
    site.manage("run_ticker", "--once")
    assert sink.told() == expected(ROWS)
    early = site.manage("restore", str(copy), check=False)
    assert (early.returncode, "Stop web, workers and beat" in early.stderr) == (1, True)
    stood_still(site)
    said = site.manage("restore", str(copy)).stdout
    assert f"{ROWS} reminders wait" in said
    assert site.rows("SELECT count(*) FROM scheduling_reminder WHERE held_at IS NOT NULL") == [(ROWS,)]
    sink.taken.clear()
    site.seed(LATER, first=ROWS)
    site.manage("run_ticker", "--once")
    assert sink.told() == expected(LATER, first=ROWS)
    # and the way back: what stood there before was kept
    [kept] = re.findall(r"is kept as (\S+)\.\n", said)
    stood_still(site)
    site.manage("restore", kept, "--without-copy")
    assert site.rows("SELECT count(*) FROM scheduling_reminder WHERE told_at IS NOT NULL") == [(ROWS,)]


def test_the_newest_copies_are_kept_and_nothing_else_is_touched(sqlite_site: Site) -> None:
    folder = sqlite_site.folder / "kept"
    folder.mkdir()
    for day in (1, 2, 3):
        (folder / f"broodtide-2026010{day}T030000Z.sqlite3").write_bytes(b"older")
    (folder / "photo.jpg").write_bytes(b"bees")
    newest = copy_of(sqlite_site, str(folder), "--keep", "2")
    left = {"broodtide-20260103T030000Z.sqlite3", newest.name, "photo.jpg"}
    assert {path.name for path in folder.iterdir()} == left
    assert "a number of copies" in sqlite_site.manage("backup", str(folder), "--keep", "-1", check=False).stderr
    assert {path.name for path in folder.iterdir()} == left


def test_a_file_that_is_no_copy_changes_nothing(sqlite_site: Site) -> None:
    sqlite_site.seed(1)
    cut = sqlite_site.folder / "cut.sqlite3"
    cut.write_bytes(copy_of(sqlite_site).read_bytes()[:5000])
    strange = sqlite_site.folder / "strange.sqlite3"
    with closing(sqlite3.connect(strange)) as connection, connection:
        connection.execute("CREATE TABLE bees (name text)")
    for wrong, said in ((cut, "cut.sqlite3"), (strange, "no copy of an installation"), (Path("no.sqlite3"), "no file")):
        done = sqlite_site.manage("restore", str(wrong), "--without-copy", check=False)
        assert done.returncode == 1
        assert said in done.stderr
    assert sqlite_site.rows("SELECT count(*) FROM scheduling_reminder") == [(1,)]


def test_a_folder_that_cannot_be_made_is_named(sqlite_site: Site) -> None:
    file = sqlite_site.folder / "file"
    file.write_text("no folder")
    assert "Nothing was written" in sqlite_site.manage("backup", str(file / "in"), check=False).stderr


@pytest.mark.postgres
def test_missing_tools_are_named(postgres_site: Site, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PATH", "/nowhere")
    done = postgres_site.manage("backup", check=False)
    assert (done.returncode, "PostgreSQL's client programs" in done.stderr) == (1, True)
