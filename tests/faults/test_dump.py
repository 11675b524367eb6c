"""The whole installation in one file: the same from SQLite and PostgreSQL, whole or not at all, nothing told twice."""

import hashlib
import io
import json
import shutil
import zipfile
from pathlib import Path

import pytest

from accounts.models import AuditEntry, Person
from accounts.queries.dump import CONTENTS, dump_write, tables
from accounts.refusals import Refusal
from accounts.services.load import dump_load
from breeding.models import MatingShare
from scheduling.models import Dose
from tests.factories import ScoreFactory
from tests.faults.seed import expected
from tests.faults.sink import Sink
from tests.faults.site import Site
from tests.scheduling.test_trace import Traced

ROWS = 7
OLD_IS_OFF = "--old-one-is-off"


def dumped(path: Path) -> Path:
    with path.open("wb") as target:
        dump_write(target)
    return path


@pytest.fixture
def season(db: None, tmp_path: Path) -> Path:
    """A bench day, closed, and a score with its decimals."""
    Traced()
    ScoreFactory(value="3.5")
    assert MatingShare.objects.exists()
    assert Dose.objects.exists()
    return dumped(tmp_path / "season.zip")


def rewritten(path: Path | io.BytesIO, name: str, text: str) -> io.BytesIO:
    """The same file with another text in one place."""
    made = io.BytesIO()
    with zipfile.ZipFile(path) as old, zipfile.ZipFile(made, "w") as new:
        for entry in old.namelist():
            new.writestr(entry, text if entry == name else old.read(entry))
    return made


def test_what_was_loaded_gives_the_same_file_to_the_byte(season: Path, sqlite_site: Site) -> None:
    said = sqlite_site.manage("load", str(season), OLD_IS_OFF).stdout
    assert said.split()[0] == str(sum(model._base_manager.count() for model in tables()))
    again = sqlite_site.folder / "again.zip"
    sqlite_site.manage("dump", str(again))
    assert again.read_bytes() == season.read_bytes()
    assert again.stat().st_mode & 0o077 == 0
    assert sqlite_site.rows("PRAGMA foreign_key_check") == []


@pytest.mark.postgres
def test_from_one_machine_to_several_and_back(season: Path, sqlite_site: Site, postgres_site: Site) -> None:
    sqlite_site.manage("load", str(season), OLD_IS_OFF)
    there, back = sqlite_site.folder / "there.zip", sqlite_site.folder / "back.zip"
    sqlite_site.manage("dump", str(there))
    postgres_site.manage("load", str(there), OLD_IS_OFF)
    postgres_site.manage("dump", str(back))
    assert there.read_bytes() == back.read_bytes() == season.read_bytes()


@pytest.mark.postgres
def test_numbers_go_on_after_those_that_came_in(season: Path, postgres_site: Site) -> None:
    postgres_site.manage("load", str(season), OLD_IS_OFF)
    postgres_site.seed(1)
    [(highest,)] = postgres_site.rows("SELECT max(id) FROM accounts_person")
    assert highest > Person.objects.order_by("pk").values_list("pk", flat=True).last()


def test_what_was_due_before_waits_for_a_coordinator(sqlite_site: Site, sqlite_schema: Path, sink: Sink) -> None:
    sqlite_site.seed(ROWS)
    file = sqlite_site.folder / "one.zip"
    sqlite_site.manage("dump", str(file))
    shutil.copy(sqlite_schema, sqlite_site.file)
    assert f"{ROWS} reminders wait" in sqlite_site.manage("load", str(file)).stdout
    sqlite_site.manage("run_ticker", "--once")
    assert sink.taken == []


def test_control_without_holding_back_it_is_told_anew(sqlite_site: Site, sqlite_schema: Path, sink: Sink) -> None:
    sqlite_site.seed(ROWS)
    file = sqlite_site.folder / "one.zip"
    sqlite_site.manage("dump", str(file))
    shutil.copy(sqlite_schema, sqlite_site.file)
    sqlite_site.manage("load", str(file), OLD_IS_OFF)
    sqlite_site.manage("run_ticker", "--once")
    assert sink.told() == expected(ROWS)


def test_a_dump_never_takes_the_place_of_an_older_one(sqlite_site: Site) -> None:
    file = sqlite_site.folder / "one.zip"
    file.write_bytes(b"the older one")
    done = sqlite_site.manage("dump", str(file), check=False)
    assert (done.returncode, file.read_bytes()) == (1, b"the older one")
    assert "is there already" in done.stderr
    assert "no folder" in sqlite_site.manage("dump", "/nowhere/at/all.zip", check=False).stderr


def test_a_database_that_holds_somebody_is_not_loaded_into(season: Path) -> None:
    before = AuditEntry.objects.count()
    with season.open("rb") as file, pytest.raises(Refusal, match="has rows here already"):
        dump_load(file)
    assert AuditEntry.objects.count() == before


@pytest.mark.parametrize(
    ("name", "text", "said"),
    [
        (CONTENTS, "{}", "not a file of"),
        (CONTENTS, "[]", "not a file of"),
        (CONTENTS, "no", "not a file of"),
        (CONTENTS, '{"format": "broodtide-dump/1", "migrations": [["accounts", "0001_initial"]]}', "another version"),
        ("accounts.Person.jsonl", "[]\n", "accounts.Person is not as it was written"),
    ],
)
def test_a_file_that_is_not_whole_is_refused_with_the_reason(season: Path, name: str, text: str, said: str) -> None:
    with pytest.raises(Refusal, match=said):
        dump_load(rewritten(season, name, text))


def test_a_file_cut_off_or_of_another_kind_is_refused(season: Path) -> None:
    whole = season.read_bytes()
    for wrong in (whole[: len(whole) // 2], b"", b"Ash,Birch\n"):
        with pytest.raises(Refusal, match="not a file of"):
            dump_load(io.BytesIO(wrong))


def test_a_row_that_does_not_fit_leaves_nothing_behind(season: Path, sqlite_site: Site) -> None:
    """Whole as a file, and yet a queen of nobody's."""
    with zipfile.ZipFile(season) as archive:
        contents = json.loads(archive.read(CONTENTS))
        lines = archive.read("accounts.Cooperative.jsonl").splitlines(keepends=True)
    said = contents["tables"]["accounts.Cooperative"]
    said |= {"rows": 0, "sha256": hashlib.sha256(b"").hexdigest()}
    assert len(lines) >= 1
    without = rewritten(season, "accounts.Cooperative.jsonl", "")
    file = sqlite_site.folder / "wrong.zip"
    file.write_bytes(rewritten(without, CONTENTS, json.dumps(contents)).getvalue())
    done = sqlite_site.manage("load", str(file), check=False)
    assert done.returncode == 1
    assert "does not fit" in done.stderr
    assert sqlite_site.rows("SELECT count(*) FROM breeding_queen") == [(0,)]


def test_a_file_that_cannot_be_read_is_named(sqlite_site: Site) -> None:
    assert "nowhere.zip cannot be read" in sqlite_site.manage("load", "nowhere.zip", check=False).stderr
