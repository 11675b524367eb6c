"""Everything the installation holds, in one file that SQLite and PostgreSQL both read."""

import os
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from accounts.queries.dump import dump_write


class Command(BaseCommand):
    help = "Write the whole installation into FILE; `load` reads it into a new database of either kind."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("file", type=Path)

    def handle(self, *args: Any, file: Path, **options: Any) -> None:
        if file.exists():
            raise CommandError(f"{file} is there already. Name another file, so that no older dump is lost.")
        if not file.parent.is_dir():
            raise CommandError(f"There is no folder {file.parent}. Make it first, or name another.")
        half = file.with_name(f".{file.name}.half")
        try:
            # It holds everybody's addresses: for its owner's eyes alone.
            with os.fdopen(os.open(half, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600), "wb") as target:
                rows = dump_write(target)
            half.replace(file)
        finally:
            half.unlink(missing_ok=True)
        if options["verbosity"] > 1:
            for label, count in rows.items():
                self.stdout.write(f"{count:>9} {label}")
        self.stdout.write(f"{sum(rows.values())} rows of {len(rows)} tables in {file}.")
