"""A new version takes over the practice cooperative of the release before it: every row, and what came with it works.

`practice-0.1.0.sqlite3.xz` is the database that version 0.1.0 made with `manage.py practice`; with each release the
next one is laid beside it (docs/operations.md). What a migration may do while an older version still answers is held
by rules of their own below.
"""

import lzma
from importlib import import_module
from pathlib import Path
from typing import Any

import pytest
from django.db import connection, migrations, models
from django.db.migrations.recorder import MigrationRecorder

from accounts.models import Person
from accounts.queries.dump import migrations_applied
from accounts.services.load import dump_load
from breeding.models import Queen
from tests.faults.sink import Sink
from tests.faults.site import Site
from tests.processes import ROOT

RELEASES = sorted(Path(__file__).parent.glob("practice-*.sqlite3.xz"))
# Rows that a migration itself brings up to date.
BOOKS = {"django_migrations", "django_content_type", "auth_permission", "sqlite_sequence"}
APPS = ("accounts", "breeding", "scheduling")
#: Names of steps that drop what the version before asked for no more.
UNUSED_BEFORE: set[str] = set()


def rows_a_table(site: Site) -> dict[str, int]:
    names = [name for (name,) in site.rows("SELECT name FROM sqlite_master WHERE type = 'table'")]
    return {name: site.rows(f'SELECT count(*) FROM "{name}"')[0][0] for name in names if name not in BOOKS}


@pytest.fixture(params=RELEASES, ids=lambda path: path.name)
def older(request: pytest.FixtureRequest, tmp_path: Path, sink: Sink) -> Site:
    site = Site(tmp_path, more=sink.environment)
    site.file.write_bytes(lzma.decompress(request.param.read_bytes()))
    return site


def test_the_practice_cooperative_of_an_older_release_is_taken_over_whole(older: Site, db: None) -> None:
    before = rows_a_table(older)
    assert before["breeding_queen"] > 500
    assert older.manage("check_ready", check=False).returncode == 1

    older.manage("migrate", "--no-input")

    after = rows_a_table(older)
    assert {name: after.get(name) for name in before} == before
    assert older.rows("PRAGMA foreign_key_check") == []
    assert older.manage("migrate", "--check", check=False).returncode == 0
    older.manage("dump", str(older.folder / "all.zip"))
    with (older.folder / "all.zip").open("rb") as file:
        dump_load(file)  # into a database that this version made, of whichever kind
    assert Queen.objects.count() == before["breeding_queen"]
    assert Person.objects.filter(email="coordinator@example.org").exists()


def test_a_dump_does_not_say_which_older_steps_a_database_remembers(db: None) -> None:
    fresh = migrations_applied()
    assert ["breeding", "0002_shares_sum_up"] in fresh
    MigrationRecorder(connection).record_applied("accounts", "0001_initial")
    assert migrations_applied() == fresh


def later_steps() -> list[tuple[str, Any]]:
    """Of the migrations made since the whole was squashed: these meet rows, and a version that still answers."""
    found = []
    for app in APPS:
        for path in sorted((ROOT / app / "migrations").glob("0*.py")):
            migration = import_module(f"{app}.migrations.{path.stem}").Migration
            if not getattr(migration, "initial", False):
                found += [(f"{app}.{path.stem}", step) for step in migration.operations]
    return found


def trouble(step: Any) -> str:
    """Why the version before could not go on while this step is taken, or the step could not be taken at all."""
    if isinstance(step, migrations.RenameField | migrations.RenameModel):
        return "the older version asks for the old name: add the new one, copy, drop the old one a release later"
    if isinstance(step, migrations.RemoveField | migrations.DeleteModel) and step.describe() not in UNUSED_BEFORE:
        return "the older version still reads it: use it no more, and drop it a release later"
    if isinstance(step, migrations.AddField):
        field = step.field
        needs = not field.null and not field.many_to_many and field.db_default is models.NOT_PROVIDED
        return "the older version inserts rows without it: null, or a db_default" if needs else ""
    return ""


def test_migrations_leave_the_version_before_working() -> None:
    assert [(name, step.describe(), why) for name, step in later_steps() if (why := trouble(step))] == []


@pytest.mark.parametrize(
    ("step", "is_trouble"),
    [
        (migrations.RenameField("queen", "label", "name"), True),
        (migrations.RenameModel("Queen", "Bee"), True),
        (migrations.RemoveField("queen", "note"), True),
        (migrations.DeleteModel("Queen"), True),
        (migrations.AddField("queen", "weight", models.IntegerField(default=0)), True),
        (migrations.AddField("queen", "weight", models.IntegerField(db_default=0)), False),
        (migrations.AddField("queen", "weight", models.IntegerField(null=True)), False),
    ],
)
def test_the_rules_for_migrations_tell_the_two_apart(step: Any, is_trouble: bool) -> None:
    assert bool(trouble(step)) is is_trouble
