"""The whole installation in one file that either database reads: the way from one machine to several, and back.

A zip: one file of JSON lines a table, a row a line, and `dump.json`, which says what stands where. The same rows
give the same bytes whichever database holds them, so two dumps can be compared as they are.
"""

import base64
import datetime as dt
import hashlib
import json
import uuid
import zipfile
from collections.abc import Iterator
from contextlib import contextmanager
from decimal import Decimal
from typing import Any, BinaryIO

from django.apps import apps
from django.db import connection, models, transaction
from django.db.migrations.loader import MigrationLoader

from accounts.told import Told, kept_text

FORMAT = "broodtide-dump/1"
CONTENTS = "dump.json"
# Made anew by Django itself, or true of one machine only.
LEFT_OUT = {"admin", "auth", "contenttypes", "sessions"}
# Written by the database itself while the rows come in.
LEFT_OUT_TABLES = {"scheduling.LotMark"}
CHUNK = 2_000
NO_TIME = (1980, 1, 1, 0, 0, 0)  # a zip cannot say less


def tables() -> list[type[models.Model]]:
    """Every table that a dump holds. Rows of others that these point to are never needed."""
    every = apps.get_models(include_auto_created=True)
    kept = [model for model in every if model._meta.label not in LEFT_OUT_TABLES]
    return [model for model in kept if model._meta.app_label not in LEFT_OUT and not _points_outside(model)]


def columns(model: type[models.Model]) -> list[str]:
    return [field.attname for field in model._meta.concrete_fields]


def migrations_applied() -> list[list[str]]:
    """What the tables look like: a file is read only where they look the same.

    Names that an older database remembers and this version has gathered into one are left out: the tables are the same.
    """
    loader = MigrationLoader(connection)
    return sorted(
        [app, name]
        for app, name in loader.applied_migrations.keys() & loader.disk_migrations.keys()
        if app not in LEFT_OUT
    )


def dump_write(target: BinaryIO) -> dict[str, int]:
    """Write the file. Returns rows a table. Everything is read at one moment, whatever is written meanwhile."""
    contents: dict[str, Any] = {"format": FORMAT, "migrations": migrations_applied(), "tables": {}}
    with zipfile.ZipFile(target, "w") as archive, one_moment():
        for model in tables():
            label, digest, count = model._meta.label, hashlib.sha256(), 0
            with archive.open(zip_entry(f"{label}.jsonl"), "w", force_zip64=True) as file:
                for line in _lines(model):
                    file.write(line)
                    digest.update(line)
                    count += 1
            said = {"columns": columns(model), "rows": count, "sha256": digest.hexdigest()}
            contents["tables"][label] = said
        archive.writestr(zip_entry(CONTENTS), json.dumps(contents, indent=1, sort_keys=True))
    return {label: said["rows"] for label, said in contents["tables"].items()}


def _points_outside(model: type[models.Model]) -> bool:
    """Single rights of Django's own administration hang on numbers that every database gives anew."""
    related = [field.related_model for field in model._meta.concrete_fields if field.is_relation]
    return any(not isinstance(other, str) and other._meta.app_label in LEFT_OUT for other in related if other)


@contextmanager
def one_moment() -> Iterator[None]:
    is_outermost = not connection.in_atomic_block
    with transaction.atomic():
        if is_outermost and connection.vendor == "postgresql":
            with connection.cursor() as cursor:
                cursor.execute("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ READ ONLY")
        yield


def _lines(model: type[models.Model]) -> Iterator[bytes]:
    rows = model._base_manager.order_by("pk").values_list(*columns(model))
    for row in rows.iterator(chunk_size=CHUNK):
        text = json.dumps(
            [plain_value(value) for value in row], ensure_ascii=False, separators=(",", ":"), sort_keys=True
        )
        yield text.encode() + b"\n"


def plain_value(value: Any) -> Any:
    """A value as JSON has it; the column's own type brings it back."""
    if isinstance(value, dt.datetime):
        return value.astimezone(dt.UTC).isoformat()
    if isinstance(value, dt.date | dt.time):
        return value.isoformat()
    if isinstance(value, Decimal | uuid.UUID):
        return str(value)
    if isinstance(value, Told):
        return kept_text(value)
    if isinstance(value, list):
        return [plain_value(one) for one in value]
    if isinstance(value, bytes | memoryview):
        return base64.b64encode(value).decode()
    return value


def zip_entry(name: str) -> zipfile.ZipInfo:
    entry = zipfile.ZipInfo(name, NO_TIME)
    entry.compress_type = zipfile.ZIP_DEFLATED
    entry.external_attr = 0o600 << 16
    return entry
