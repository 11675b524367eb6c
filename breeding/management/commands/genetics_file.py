"""Read a genetics file, compute what it asks for, write the result."""

import json
import os
import resource
import tempfile
import time
from argparse import ArgumentParser
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError

from breeding.genetics.file_format import answer, read_text
from breeding.genetics.types import InputError

REFUSED = 2
NOT_CONVERGED = 1


class Command(BaseCommand):
    help = "Compute what a genetics file (docs/genetics-file.md) asks for, without a database."
    requires_system_checks: list[str] = []

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("input", type=Path, help="genetics file (JSON)")
        parser.add_argument("--out", type=Path, required=True, help="where the result is written (JSON)")

    def handle(self, *args: Any, input: Path, out: Path, **options: Any) -> None:
        started = time.perf_counter()
        if not out.parent.is_dir():
            raise CommandError(f"{out.parent}: no such directory for the result", returncode=REFUSED)
        try:
            found = answer(read_text(input.read_text(encoding="utf-8")))
        except InputError as error:
            raise CommandError(str(error), returncode=REFUSED) from error
        except (OSError, UnicodeDecodeError) as error:
            raise CommandError(f"{input}: cannot be read: {error}", returncode=REFUSED) from error
        found.document["solver"] |= {
            "seconds": time.perf_counter() - started,
            "peak_mb": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024,
        }
        _write_whole(out, json.dumps(found.document, indent=1, ensure_ascii=False, allow_nan=False))
        if not found.converged:
            raise CommandError(f"{out}: something asked did not converge, see its notes", returncode=NOT_CONVERGED)


def _write_whole(out: Path, text: str) -> None:
    """Write beside the target and rename, so that nobody ever reads half a result."""
    handle, name = tempfile.mkstemp(dir=out.parent, prefix=f".{out.name}.")
    try:
        with os.fdopen(handle, "w", encoding="utf-8") as file:
            file.write(text + "\n")
        Path(name).chmod(0o644)
        Path(name).replace(out)
    except OSError as error:
        Path(name).unlink(missing_ok=True)
        raise CommandError(f"{out}: cannot be written: {error}", returncode=REFUSED) from error
