"""A copy of the database, safe at any time: for every night and before each new version."""

from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.utils import timezone

from accounts.refusals import Refusal
from accounts.services.backup import backup_write, backups_thin

KEPT = 14


class Command(BaseCommand):
    help = "Write a copy of the database into FOLDER (the data folder's `backups`), and keep the newest ones."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("folder", type=Path, nargs="?", default=Path(settings.DATA_DIR) / "backups")
        parser.add_argument("--keep", type=int, default=KEPT, help=f"how many to keep ({KEPT}); 0: all")

    def handle(self, *args: Any, folder: Path, keep: int, **options: Any) -> None:
        if keep < 0:
            raise CommandError("--keep is a number of copies: 0 keeps all.")
        try:
            file = backup_write(folder, now=timezone.now())
            removed = backups_thin(folder, keep=keep) if keep else []
        except Refusal as refusal:
            raise CommandError(refusal.text) from refusal
        except OSError as error:
            raise CommandError(f"{folder}: {error.strerror}. Nothing was written.") from error
        gone = f" Removed {len(removed)} older." if removed else ""
        self.stdout.write(f"{file} ({file.stat().st_size / 1e6:.1f} MB).{gone}")
