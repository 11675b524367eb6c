"""Copies of the whole database, of the kind that it is, and putting one back."""

import datetime as dt
import os
import sqlite3
import subprocess
from contextlib import closing
from pathlib import Path

from django.db import connection
from django.utils.translation import gettext as _

from accounts.refusals import Refusal

PREFIX = "broodtide-"
STAMP = "%Y%m%dT%H%M%SZ"
SUFFIX = {"sqlite": ".sqlite3", "postgresql": ".dump"}


def backup_write(folder: Path, *, now: dt.datetime) -> Path:
    """Write a copy that is whole, or none. Safe while everything runs. Returns the file."""
    folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    file = folder / f"{PREFIX}{now.astimezone(dt.UTC):{STAMP}}{SUFFIX[connection.vendor]}"
    half = file.with_name(f".{file.name}.half")
    half.touch(mode=0o600)
    try:
        if connection.vendor == "sqlite":
            _copy(Path(connection.settings_dict["NAME"]), half)
            _must_be_whole(half)
        else:
            _postgres("pg_dump", "--format=custom", f"--file={half}")
            _postgres("pg_restore", "--list", str(half), database=False)
        half.replace(file)
    finally:
        half.unlink(missing_ok=True)
    return file


def backups_thin(folder: Path, *, keep: int) -> list[Path]:
    """Remove all but the newest `keep` copies of this kind. Returns those removed."""
    old = sorted(folder.glob(f"{PREFIX}*{SUFFIX[connection.vendor]}"))[: -keep or None]
    for file in old:
        file.unlink()
    return old


def backup_due_at(folder: Path, *, at: dt.time, now: dt.datetime) -> dt.datetime:
    """When the next nightly copy is due: at `at` [UTC]; at once where the newest is a day old, or there is none."""
    newest = max((file.name for file in folder.glob(f"{PREFIX}*{SUFFIX[connection.vendor]}")), default="")
    stamp = newest.removeprefix(PREFIX).removesuffix(SUFFIX[connection.vendor])
    if not newest or now - dt.datetime.strptime(stamp, STAMP).replace(tzinfo=dt.UTC) >= dt.timedelta(days=1):
        return now
    tonight = dt.datetime.combine(now.astimezone(dt.UTC).date(), at, dt.UTC)
    return tonight if tonight > now else tonight + dt.timedelta(days=1)


def backup_put_back(file: Path) -> None:
    """Put a copy in place of what is there: in one step, so that a crash leaves the one or the other."""
    if connection.vendor == "sqlite":
        _must_be_whole(file)
        connection.close()
        _copy(file, Path(connection.settings_dict["NAME"]))
    else:
        connection.close()
        _postgres("pg_restore", "--clean", "--if-exists", "--no-owner", "--single-transaction", str(file))


def _copy(source: Path, target: Path) -> None:
    with closing(sqlite3.connect(source, timeout=20)) as old, closing(sqlite3.connect(target, timeout=20)) as new:
        old.backup(new)


def _must_be_whole(file: Path) -> None:
    try:
        with closing(sqlite3.connect(f"file:{file}?mode=ro&immutable=1", uri=True)) as copy:
            found = copy.execute("PRAGMA integrity_check").fetchone()[0]
            copy.execute("SELECT count(*) FROM django_migrations")
    except sqlite3.DatabaseError as error:
        raise Refusal(
            _("%(file)s is no copy of an installation: %(error)s") % {"file": file, "error": error}
        ) from error
    if found != "ok":
        raise Refusal(_("%(file)s is damaged: %(error)s") % {"file": file, "error": found})


def _postgres(tool: str, *words: str, database: bool = True) -> None:
    """One of PostgreSQL's own programs; the password goes by the environment, never by the command line."""
    chosen = connection.settings_dict
    where = {
        "PGHOST": chosen["HOST"],
        "PGPORT": str(chosen["PORT"] or ""),
        "PGUSER": chosen["USER"],
        "PGPASSWORD": chosen["PASSWORD"],
    }
    name = [f"--dbname={chosen['NAME']}"] if database else []
    try:
        subprocess.run(  # noqa: S603 - a fixed program, no shell
            [tool, *name, *words],
            env=os.environ | {key: value for key, value in where.items() if value},
            check=True,
            capture_output=True,
            text=True,
        )
    except FileNotFoundError as error:
        raise Refusal(
            _("%(tool)s is not installed here: install PostgreSQL's client programs.") % {"tool": tool}
        ) from error
    except subprocess.CalledProcessError as error:
        raise Refusal(_("%(tool)s failed: %(error)s") % {"tool": tool, "error": error.stderr.strip()}) from error
