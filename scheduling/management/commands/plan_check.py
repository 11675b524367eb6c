"""Check a plan file against its problem file, without the database."""

from __future__ import annotations

from argparse import ArgumentParser
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand

from scheduling.planning.command_line import PLAN_CHECK_HELP, add_check_arguments, run_plan_check


class Command(BaseCommand):
    help = PLAN_CHECK_HELP
    requires_system_checks: list[str] = []

    def add_arguments(self, parser: ArgumentParser) -> None:
        add_check_arguments(parser)

    def handle(self, *args: Any, **options: Any) -> None:
        code = run_plan_check(
            Path(options["problem"]), Path(options["plan"]), say=self.stdout.write, warn=self.stderr.write
        )
        if code:
            raise SystemExit(code)
