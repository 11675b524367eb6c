"""Looks the whole installation over and says of each thing that is not well what to do."""

import json
from dataclasses import asdict
from typing import Any

from django.core.management.base import BaseCommand, CommandParser
from django.utils import timezone

from scheduling.services.checkup import State, looked_over


class Command(BaseCommand):
    help = "Look over database, broker, workers, mail, settings, disk, clock and what waits; exit code 1: one is wrong."
    requires_system_checks = ()

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--json", action="store_true", dest="as_json", help="one JSON array instead of lines")

    def handle(self, *args: Any, as_json: bool, **options: Any) -> None:
        findings = looked_over(now=timezone.now())
        if as_json:
            self.stdout.write(json.dumps([asdict(one) for one in findings], indent=1))
        else:
            for one in findings:
                self.stdout.write(f"{one.state:<8} {one.name:<11} {one.text}")
                if one.to_do:
                    self.stdout.write(f"{'':<20} → {one.to_do}")
        if any(one.state == State.WRONG for one in findings):
            raise SystemExit(1)
