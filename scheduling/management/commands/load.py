"""Takes up a file of `dump` in a new database. What was due before waits for a coordinator, as after a restore."""

from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.db import transaction

from accounts.refusals import Refusal
from accounts.services.load import dump_load
from scheduling.services.delivery import database_now
from scheduling.services.fence import reminders_hold


class Command(BaseCommand):
    help = "Read FILE, written by `dump`, into a database that is new and migrated: all of it, or nothing."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("file", type=Path)
        parser.add_argument(
            "--old-one-is-off",
            action="store_true",
            help="the old installation was stopped before the dump and stays off: nothing is held back",
        )

    def handle(self, *args: Any, file: Path, old_one_is_off: bool, **options: Any) -> None:
        now = database_now()
        try:
            with file.open("rb") as source, transaction.atomic():
                rows = dump_load(source)
                held = 0 if old_one_is_off else reminders_hold(fence=now, now=now)
        except OSError as error:
            raise CommandError(f"{file} cannot be read: {error.strerror}.") from error
        except Refusal as refusal:
            raise CommandError(refusal.text) from refusal
        self.stdout.write(f"{sum(rows.values())} rows of {len(rows)} tables taken in from {file}.")
        if held:
            self.stdout.write(f"{held} reminders wait for a coordinator: Reminders of the cooperative, Held back.")
