"""`manage.py load_stock DIR`: apiaries, queens, matings, colonies and scores from CSV tables (docs/formats.md)."""

from argparse import ArgumentParser
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError
from django.utils import timezone

from accounts.models import Cooperative
from accounts.refusals import Refusal
from breeding.services.stock_load import Loaded, stock_load


class Command(BaseCommand):
    help = "Load a folder of CSV tables into one cooperative: all of it or nothing."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("folder", type=Path, help="Folder with the tables that docs/formats.md describes.")
        parser.add_argument("--dry-run", action="store_true", help="Check and report, change nothing.")
        parser.add_argument("--cooperative", default="", help="Its name; needed only if there is more than one.")

    def handle(self, *args: Any, **options: Any) -> None:
        try:
            loaded = stock_load(
                _cooperative(options["cooperative"]),
                folder=options["folder"],
                by=None,
                now=timezone.now(),
                dry_run=options["dry_run"],
            )
        except Refusal as refusal:
            raise CommandError(refusal.text) from refusal
        self._report(loaded, dry_run=options["dry_run"])

    def _report(self, loaded: Loaded, *, dry_run: bool) -> None:
        if loaded.problems:
            for problem in loaded.problems:
                self.stderr.write(str(problem))
            raise CommandError(f"Bad rows: {len(loaded.problems)}. Nothing was changed.")
        new = ", ".join(f"{number} {what}" for what, number in loaded.new.items() if number)
        unchanged = sum(loaded.unchanged.values())
        if not new:
            self.stdout.write(f"Nothing new: all {unchanged} rows stand already.")
            return
        self.stdout.write(f"{'Would add' if dry_run else 'Added'}: {new}.")
        if unchanged:
            self.stdout.write(f"Rows that stand already: {unchanged}.")


def _cooperative(name: str) -> Cooperative:
    cooperatives = list(Cooperative.objects.filter(name__iexact=name) if name else Cooperative.objects.all()[:2])
    if len(cooperatives) == 1:
        return cooperatives[0]
    if name:
        known = ", ".join(Cooperative.objects.values_list("name", flat=True)) or "none"
        raise CommandError(f"There is no cooperative “{name}”. Known: {known}.")
    if cooperatives:
        raise CommandError("There are several cooperatives. Say which one with --cooperative NAME.")
    raise CommandError("There is no cooperative yet. Make it in the app first, then load its stock.")
