"""A copy of the database, safe at any time: for every night and before each new version."""

import datetime as dt
import signal
import threading
from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.db import DatabaseError, close_old_connections
from django.utils import timezone

from accounts.refusals import Refusal
from accounts.services.backup import backup_due_at, backup_write, backups_thin

KEPT = 14
AGAIN_SECONDS = 15 * 60  # after a night on which it failed


class Command(BaseCommand):
    help = "Write a copy of the database into FOLDER (the data folder's `backups`), and keep the newest ones."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("folder", type=Path, nargs="?", default=Path(settings.DATA_DIR) / "backups")
        parser.add_argument("--keep", type=int, default=KEPT, help=f"how many to keep ({KEPT}); 0: all")
        parser.add_argument(
            "--nightly",
            type=dt.time.fromisoformat,
            metavar="HH:MM",
            help="stay, and write one each night at this time (UTC), and one at once where the newest is a day old",
        )

    def handle(self, *args: Any, folder: Path, keep: int, nightly: dt.time | None, **options: Any) -> None:
        if keep < 0:
            raise CommandError("--keep is a number of copies: 0 keeps all.")
        if nightly is None:
            self._write(folder, keep)
            return
        stop = threading.Event()
        for number in (signal.SIGTERM, signal.SIGINT):
            signal.signal(number, lambda *_: stop.set())
        while not stop.is_set():
            now = timezone.now()
            seconds = (backup_due_at(folder, at=nightly, now=now) - now).total_seconds()
            # Looked at again every hour: a machine that slept has missed nothing.
            if seconds > 0:
                stop.wait(min(seconds, 3600))
            elif not self._written(folder, keep):
                stop.wait(AGAIN_SECONDS)

    def _written(self, folder: Path, keep: int) -> bool:
        """Whether a copy was written; what was in the way is said, and tried again."""
        close_old_connections()
        try:
            self._write(folder, keep)
        except (CommandError, DatabaseError) as error:
            self.stderr.write(str(error))
            return False
        return True

    def _write(self, folder: Path, keep: int) -> None:
        try:
            file = backup_write(folder, now=timezone.now())
            removed = backups_thin(folder, keep=keep) if keep else []
        except Refusal as refusal:
            raise CommandError(refusal.text) from refusal
        except OSError as error:
            raise CommandError(f"{folder}: {error.strerror}. Nothing was written.") from error
        gone = f" Removed {len(removed)} older." if removed else ""
        self.stdout.write(f"{file} ({file.stat().st_size / 1e6:.1f} MB).{gone}")
