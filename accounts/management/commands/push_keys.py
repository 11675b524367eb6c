"""Makes the key by which browsers know messages as this installation's."""

import os
from argparse import ArgumentParser
from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError

from accounts.push import is_set_up, new_key, public_key

NAME = "push_key"


class Command(BaseCommand):
    help = "Make the key for messages to devices (web push). Once; a new key ends every device's subscription."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--file", help="Where to keep it. Else: the data folder (embedded), or it is printed.")
        parser.add_argument("--renew", action="store_true", help="Also where there is a key: all devices begin anew.")

    def handle(self, *args: Any, **options: Any) -> None:
        if is_set_up() and not options["renew"]:
            self.stdout.write(f"There is a key already; its public part is {public_key()}. Nothing was changed.")
            return
        key = new_key()
        if options["file"] is None and settings.SERVED:
            self.stdout.write(f"BROODTIDE_PUSH_KEY={key}")
            self.stderr.write("Put this line into the settings of every process and keep it secret, then start anew.")
            return
        path = Path(options["file"] or settings.DATA_DIR / NAME)
        _keep(path, key, renew=options["renew"])
        self.stdout.write(f"Made {path}, readable by its owner only. Start anew, and devices can take messages.")


def _keep(path: Path, key: str, *, renew: bool) -> None:
    """Whole or not at all, and never over a key that devices rely on."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        if renew:
            path.unlink(missing_ok=True)
        descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    except FileExistsError:
        raise CommandError(f"{path} is there already. Use --renew to replace it.") from None
    except OSError as error:
        raise CommandError(f"{path} cannot be written: {error}") from error
    with os.fdopen(descriptor, "w", encoding="utf-8") as file:
        file.write(key)
