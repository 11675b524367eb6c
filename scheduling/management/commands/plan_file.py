"""Plan a season from a file, without the database."""

from __future__ import annotations

from argparse import ArgumentParser
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand

from scheduling.planning.command_line import PLAN_FILE_HELP, add_plan_arguments, run_plan_file


class Command(BaseCommand):
    help = PLAN_FILE_HELP
    requires_system_checks: list[str] = []

    def add_arguments(self, parser: ArgumentParser) -> None:
        add_plan_arguments(parser)

    def handle(self, *args: Any, **options: Any) -> None:
        code = run_plan_file(
            Path(options["problem"]),
            Path(options["out"]),
            goal=options["goal"],
            seconds=options["seconds"],
            seed=options["seed"],
            say=self.stdout.write,
            warn=self.stderr.write,
        )
        if code:
            raise SystemExit(code)
