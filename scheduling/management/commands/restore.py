"""Puts a copy back. What was due before waits for a coordinator, who knows whether it went out."""

from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.management import call_command
from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.db import DatabaseError
from django.utils import timezone

from accounts.refusals import Refusal
from accounts.services.backup import backup_put_back, backup_write
from scheduling.queries.health import sweep_age_seconds
from scheduling.services.delivery import database_now
from scheduling.services.fence import reminders_hold

STILL_RUNS_SECONDS = 15.0


class Command(BaseCommand):
    help = "Put FILE, written by `backup`, in place of the database. Stop everything else before."
    requires_system_checks = ()

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("file", type=Path)
        parser.add_argument(
            "--without-copy", action="store_true", help="do not keep a copy of what is there now (it may be broken)"
        )

    def handle(self, *args: Any, file: Path, without_copy: bool, **options: Any) -> None:
        if not file.is_file():
            raise CommandError(f"There is no file {file}.")
        try:
            self._must_stand_still()
            if not without_copy:
                kept = backup_write(Path(settings.DATA_DIR) / "backups", now=timezone.now())
                self.stdout.write(f"What was there is kept as {kept}.")
            backup_put_back(file)
        except Refusal as refusal:
            raise CommandError(refusal.text) from refusal
        call_command("migrate", interactive=False, verbosity=0)
        now = database_now()
        held = reminders_hold(fence=now, now=now)
        self.stdout.write(
            f"{file} is back. {held} reminders wait for a coordinator: Reminders of the cooperative, Held back."
        )

    def _must_stand_still(self) -> None:
        """A sweep that runs on would tell what the copy brings back before it can be held."""
        try:
            age = sweep_age_seconds(now=timezone.now())
        except DatabaseError:
            return  # what is there cannot be read: the more reason to put a copy back
        if age is not None and age < STILL_RUNS_SECONDS:
            raise CommandError(
                f"The minute sweep ran {age:.0f} seconds ago. Stop web, workers and beat, wait "
                f"{STILL_RUNS_SECONDS:.0f} seconds, then restore."
            )
