"""Read a genetics file, compute what it asks for, write the result."""

import json
import os
import resource
import shutil
import tempfile
import time
from argparse import ArgumentParser
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any, TextIO

from django.core.management.base import BaseCommand, CommandError

from breeding.genetics.file_format import RESULT_FORMAT, SUMMARY, Request, answer, read_text, result_tables, result_text
from breeding.genetics.types import InputError

REFUSED = 2
NOT_CONVERGED = 1


class Command(BaseCommand):
    help = "Compute what a genetics file (docs/genetics-file.md) asks for, without a database."
    requires_system_checks: list[str] = []

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("input", type=Path, help="genetics file (JSON)")
        parser.add_argument(
            "--out", type=Path, required=True, help="the result: a JSON file; a folder where the pedigree is tables"
        )

    def handle(self, *args: Any, input: Path, out: Path, **options: Any) -> None:
        started = time.perf_counter()
        if not out.absolute().parent.is_dir():
            raise _refused(f"{out}: there is no folder {out.absolute().parent} for the result")
        if input.exists() and out.exists() and input.samefile(out):
            raise _refused(f"{out}: the result would stand in the place of the input")
        try:
            with ExitStack() as opened:
                request = read_text(input.read_text(encoding="utf-8-sig"), _tables(input, opened))
            _check_target(out, request)
            found = answer(request)
        except InputError as error:
            raise _refused(str(error)) from error
        except (OSError, UnicodeDecodeError) as error:
            raise _refused(f"{input}: cannot be read: {error}") from error
        found.document["solver"] |= {
            "seconds": time.perf_counter() - started,
            "peak_mb": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024,
        }
        try:
            if request.as_tables:
                _write_folder(out, found.document)
            else:
                _write_file(out, result_text(found.document))
        except OSError as error:
            raise _refused(f"{out}: cannot be written: {error}") from error
        if not found.converged:
            raise CommandError(f"{out}: something asked did not converge, see its notes", returncode=NOT_CONVERGED)


def _refused(text: str) -> CommandError:
    return CommandError(text, returncode=REFUSED)


def _tables(input: Path, opened: ExitStack) -> Callable[[str, str], TextIO | None]:
    """Opens the tables of a folder, which is looked for beside the genetics file."""

    def open_table(folder: str, name: str) -> TextIO | None:
        path = input.parent / folder / name
        if not path.parent.is_dir():
            raise InputError("pedigree.csv", f'there is no folder "{folder}"')
        return opened.enter_context(path.open(encoding="utf-8-sig", newline="")) if path.is_file() else None

    return open_table


def _check_target(out: Path, request: Request) -> None:
    """Refuse what must not be replaced before the work begins."""
    if not request.as_tables:
        if out.is_dir():
            raise InputError(str(out), "is a folder; the result of a file without tables is a file")
        return
    if not out.exists() or (out.is_dir() and not any(out.iterdir())):
        return
    try:
        earlier = json.loads((out / SUMMARY).read_text(encoding="utf-8"))["format"] == RESULT_FORMAT
    except (OSError, ValueError, KeyError, TypeError):
        earlier = False
    if not earlier:
        raise InputError(str(out), "holds something else than an earlier result; name a new folder")


def _write_file(out: Path, text: str) -> None:
    """Write beside the target and rename, so that nobody ever reads half a result."""
    handle, name = tempfile.mkstemp(dir=out.absolute().parent, prefix=f".{out.name}.")
    try:
        with os.fdopen(handle, "w", encoding="utf-8") as file:
            file.write(text)
        Path(name).chmod(0o644)
        Path(name).replace(out)
    except BaseException:
        Path(name).unlink(missing_ok=True)
        raise


def _write_folder(out: Path, document: dict[str, Any]) -> None:
    """Write all tables beside the target, then put the folder in its place as a whole."""
    made = Path(tempfile.mkdtemp(dir=out.absolute().parent, prefix=f".{out.name}."))
    try:
        for name, lines in _files(document):
            with (made / name).open("w", encoding="utf-8", newline="") as file:
                file.writelines(lines)
        made.chmod(0o755)
        if out.exists():
            _exchange(made, out)
        else:
            made.replace(out)
    except BaseException:
        shutil.rmtree(made, ignore_errors=True)
        raise


def _exchange(made: Path, out: Path) -> None:
    """Put a new folder in the place of an earlier one, or leave the earlier one."""
    earlier = Path(tempfile.mkdtemp(dir=out.absolute().parent, prefix=f".{out.name}."))
    out.replace(earlier)
    try:
        made.replace(out)
    except OSError:
        earlier.replace(out)
        raise
    shutil.rmtree(earlier)


def _files(document: dict[str, Any]) -> Iterator[tuple[str, Iterator[str]]]:
    tables, rest = result_tables(document)
    for table in tables:
        yield table.name, table.lines()
    yield SUMMARY, iter([result_text(rest)])
