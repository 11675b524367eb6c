"""Reading a whole installation back, into a database that holds nobody yet: all of it or nothing."""

import hashlib
import json
import zipfile
from itertools import islice
from typing import Any, BinaryIO

from django.core.exceptions import ValidationError
from django.core.management.color import no_style
from django.db import IntegrityError, connection, models, transaction
from django.utils.translation import gettext as _

from accounts.queries.dump import CHUNK, CONTENTS, FORMAT, migrations_applied, tables
from accounts.refusals import Refusal

BLOCK = 1 << 20


def dump_load(source: BinaryIO) -> dict[str, int]:
    """Read a file of `dump_write` into empty tables. Returns rows a table.

    Raises
    ------
    Refusal
        Somebody is known here already, the file is not whole, or its tables are not those of this version.
    """
    try:
        with zipfile.ZipFile(source) as archive:
            contents = _contents(archive)
            _must_be_whole(archive, contents)
            with transaction.atomic():
                _must_be_empty()
                # Children first: what the database adds up of them must not happen to rows that are there already.
                # Keys between tables are looked at when all is in.
                for model in reversed(tables()):
                    _load(model, archive, contents["tables"][model._meta.label])
                connection.check_constraints()
                _number_on()
    except (ValueError, ValidationError, IntegrityError) as error:
        raise Refusal(_("A row of the file does not fit: %(error)s") % {"error": error}) from error
    except zipfile.BadZipFile as error:
        raise Refusal(_("This is not a file of `manage.py dump`, or it was cut off on the way.")) from error
    return {label: said["rows"] for label, said in contents["tables"].items()}


def _contents(archive: zipfile.ZipFile) -> dict[str, Any]:
    try:
        contents = json.loads(archive.read(CONTENTS))
    except (KeyError, ValueError) as error:
        raise Refusal(_("This is not a file of `manage.py dump`, or it was cut off on the way.")) from error
    if not isinstance(contents, dict) or contents.get("format") != FORMAT:
        raise Refusal(_("This is not a file of `manage.py dump` (%(format)s).") % {"format": FORMAT})
    if contents["migrations"] != migrations_applied():
        raise Refusal(
            _("The file was written by another version. Bring the old installation to this version and dump it anew.")
        )
    return contents


def _must_be_empty() -> None:
    for model in tables():
        if model._base_manager.exists():
            raise Refusal(
                _("%(table)s has rows here already. Load into a new database, right after `manage.py migrate`.")
                % {"table": model._meta.label}
            )


def _must_be_whole(archive: zipfile.ZipFile, contents: dict[str, Any]) -> None:
    for label, said in contents["tables"].items():
        digest = hashlib.sha256()
        with archive.open(f"{label}.jsonl") as file:
            while block := file.read(BLOCK):
                digest.update(block)
        if digest.hexdigest() != said["sha256"]:
            raise Refusal(_("The file is damaged: %(table)s is not as it was written.") % {"table": label})


def _load(model: type[models.Model], archive: zipfile.ZipFile, said: dict[str, Any]) -> None:
    known = {field.attname: field for field in model._meta.concrete_fields}
    fields = [known[name] for name in said["columns"]]
    with archive.open(f"{model._meta.label}.jsonl") as file:
        while lines := list(islice(file, CHUNK)):
            model._base_manager.bulk_create(
                model(
                    **{
                        field.attname: field.to_python(value)
                        for field, value in zip(fields, json.loads(line), strict=True)
                    }
                )
                for line in lines
            )


def _number_on() -> None:
    """The next number of each table follows on the last that came in."""
    with connection.cursor() as cursor:
        for statement in connection.ops.sequence_reset_sql(no_style(), tables()):
            cursor.execute(statement)
