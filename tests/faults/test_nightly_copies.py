"""A copy each night: when the next is due, and that whoever waits for it ends when told to."""

import datetime as dt
import signal
from pathlib import Path

import pytest

from accounts.services.backup import backup_due_at
from tests.faults.site import Site
from tests.processes import started

AT = dt.time(3, 10)


def moment(day: int, hour: int, minute: int = 0) -> dt.datetime:
    return dt.datetime(2026, 6, day, hour, minute, tzinfo=dt.UTC)


def copies(folder: Path, *made: dt.datetime) -> Path:
    for one in made:
        for suffix in (".sqlite3", ".dump"):
            (folder / f"broodtide-{one:%Y%m%dT%H%M%SZ}{suffix}").touch()
    return folder


@pytest.mark.parametrize(
    ("made", "now", "due"),
    [
        ([], moment(9, 12), moment(9, 12)),
        ([moment(9, 3, 10)], moment(9, 12), moment(10, 3, 10)),
        ([moment(8, 20)], moment(9, 2), moment(9, 3, 10)),
        ([moment(7, 3, 10), moment(8, 3, 10)], moment(9, 4), moment(9, 4)),
        ([moment(8, 3, 10)], moment(9, 3, 10), moment(9, 3, 10)),
    ],
    ids=["none yet", "of tonight", "of the evening before", "a night was missed", "to the minute"],
)
def test_the_next_copy_is_due_in_the_night_or_at_once_after_a_day(
    tmp_path: Path, made: list[dt.datetime], now: dt.datetime, due: dt.datetime
) -> None:
    assert backup_due_at(copies(tmp_path, *made), at=AT, now=now) == due


def test_where_there_is_none_one_is_written_at_once_and_the_next_waited_for(sqlite_site: Site) -> None:
    folder = sqlite_site.folder / "copies"
    command = ["python", "manage.py", "backup", str(folder), "--nightly", "03:10"]
    with started(command, env=sqlite_site.environment) as process:
        process.wait_for("MB).", seconds=60)
        assert process.end(signal.SIGTERM) == 0
    assert len(list(folder.glob("broodtide-*.sqlite3"))) == 1


def test_a_night_on_which_it_cannot_be_written_is_said_and_tried_again(sqlite_site: Site) -> None:
    (sqlite_site.folder / "copies").write_text("a file stands where the folder should be")
    command = ["python", "manage.py", "backup", str(sqlite_site.folder / "copies"), "--nightly", "03:10"]
    with started(command, env=sqlite_site.environment) as process:
        process.wait_for("Nothing was written.", seconds=60)
        assert process.end(signal.SIGTERM) == 0
