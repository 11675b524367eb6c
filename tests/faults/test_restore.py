"""A backup is put back, or a person leaves: what went out does not go out again, and no address is left in a queue."""

import shutil
from pathlib import Path

import pytest

from tests.faults.seed import expected
from tests.faults.sink import Sink
from tests.faults.site import Site

ROWS = 40
LATER = 10


def back_up(site: Site) -> Path:
    return Path(site.manage("backup", str(site.folder / "copies")).stdout.split(" (")[0])


def put_back(site: Site, copy: Path) -> None:
    for name in ("broodtide.sqlite3-wal", "broodtide.sqlite3-shm"):
        (site.folder / name).unlink(missing_ok=True)
    shutil.copy(copy, site.file)


def sweep(site: Site, *without: str) -> None:
    options = [part for guard in without for part in ("--without", guard)]
    site.run("tests.faults.process", *options, "run_ticker", "--once")


def ids(sink: Sink) -> set[str]:
    return {one.message_id for one in sink.taken}


@pytest.fixture
def restored(sqlite_site: Site, sink: Sink) -> Site:
    """Backed up with everything still to send; then it was sent; then the backup was put back."""
    sqlite_site.seed(ROWS)
    copy = back_up(sqlite_site)
    sqlite_site.manage("run_ticker", "--once")
    assert sink.told() == expected(ROWS)
    put_back(sqlite_site, copy)
    assert sqlite_site.rows("PRAGMA integrity_check") == [("ok",)]
    (sqlite_site.folder / "names").write_text("\n".join(ids(sink)))
    sink.taken.clear()
    return sqlite_site


def restored_names(site: Site) -> set[str]:
    """Under which names the rows had gone out before."""
    return set((site.folder / "names").read_text().split())


def test_after_a_restore_with_its_last_step_a_tick_sends_nothing_of_before(restored: Site, sink: Sink) -> None:
    said = restored.manage("fence_reminders").stdout
    assert said.startswith(f"{ROWS} reminders wait")
    restored.manage("run_ticker", "--once")
    assert sink.taken == []
    assert restored.rows("SELECT count(*) FROM scheduling_reminder WHERE held_at IS NOT NULL") == [(ROWS,)]


def test_what_is_due_after_a_restore_goes_out_as_ever(restored: Site, sink: Sink) -> None:
    restored.manage("fence_reminders")
    restored.seed(LATER, first=ROWS)
    restored.manage("run_ticker", "--once")
    assert sink.told() == expected(LATER, first=ROWS)


def test_control_without_the_last_step_everything_goes_out_a_second_time(restored: Site, sink: Sink) -> None:
    restored.manage("run_ticker", "--once")
    assert sink.told() == expected(ROWS)


def numbers_given_out_again(site: Site, sink: Sink, *without: str) -> tuple[set[str], set[str]]:
    """The ids of mails that went out before a restore, and of others that were written after it."""
    copy = back_up(site)
    site.seed(LATER)
    sweep(site, *without)
    before = ids(sink)
    put_back(site, copy)
    sink.taken.clear()
    site.manage("fence_reminders")
    site.seed(LATER, first=LATER)
    sweep(site, *without)
    assert sink.told() == expected(LATER, first=LATER)
    return before, ids(sink)


def test_mails_after_a_restore_never_go_by_the_name_of_an_earlier_one(sqlite_site: Site, sink: Sink) -> None:
    """A mail program that has seen a name drops the message that comes under it again."""
    before, after = numbers_given_out_again(sqlite_site, sink)
    assert (len(before), len(after), before & after) == (LATER, LATER, set())


def test_control_by_the_numbers_of_rows_new_mails_take_the_names_of_earlier_ones(sqlite_site: Site, sink: Sink) -> None:
    before, after = numbers_given_out_again(sqlite_site, sink, "names")
    assert before & after


def test_a_row_that_was_sent_before_the_restore_goes_out_under_the_same_name(restored: Site, sink: Sink) -> None:
    """Released by mistake, it is one message to a mail program that has it already."""
    sweep(restored)
    again = ids(sink)
    assert len(again) == ROWS
    assert again == restored_names(restored)


@pytest.mark.postgres
def test_a_dump_of_postgresql_comes_back_whole_and_sends_nothing(postgres_site: Site, sink: Sink) -> None:
    site = postgres_site
    site.seed(ROWS)
    dump = site.folder / "broodtide.dump"
    site.tool("pg_dump", "-Fc", "-f", str(dump))
    site.manage("run_ticker", "--once")
    assert sink.told() == expected(ROWS)
    site.tool("pg_restore", "--clean", "--if-exists", "--single-transaction", str(dump), database_as="-d")
    site.manage("check")
    site.manage("fence_reminders")
    sink.taken.clear()
    site.manage("run_ticker", "--once")
    assert sink.taken == []
    assert site.rows("SELECT count(*) FROM scheduling_reminder WHERE told_at IS NULL") == [(ROWS,)]
