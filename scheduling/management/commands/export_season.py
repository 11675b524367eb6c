"""Write a season as it is now as a planning file, for other programs or for a look at what the planner sees."""

from __future__ import annotations

import json
from argparse import ArgumentParser
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand
from django.utils import timezone

from accounts.refusals import Refusal
from scheduling.models import Season
from scheduling.planning.command_line import REFUSED, write_whole
from scheduling.planning.problem_file import problem_to_json
from scheduling.queries.problem import problem_of


class Command(BaseCommand):
    help = (
        "Write a season as a season/1 file. Exit 2 and no output when there is no such season or figures are missing."
    )

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("season", type=int, help="its year")
        parser.add_argument("--cooperative", help="its name, where there are several")
        parser.add_argument("--out", type=Path, help="where it is written; without it, to the screen")

    def handle(self, *args: Any, **options: Any) -> None:
        try:
            problem = problem_of(_season(options["season"], options["cooperative"]), now=timezone.now())
        except Refusal as refusal:
            self.stderr.write(str(refusal))
            raise SystemExit(REFUSED) from refusal
        text = json.dumps(problem_to_json(problem), ensure_ascii=False, indent=1) + "\n"
        if options["out"] is None:
            self.stdout.write(text, ending="")
            return
        try:
            write_whole(options["out"], text)
        except OSError as error:
            self.stderr.write(f"{options['out']}: {error.strerror}")
            raise SystemExit(REFUSED) from error
        self.stdout.write(f"{problem.requested} queens of {len(problem.bookings)} requests")


def _season(year: int, cooperative: str | None) -> Season:
    seasons = Season.objects.filter(year=year).select_related("cooperative").order_by("cooperative__name", "pk")
    if cooperative is not None:
        seasons = seasons.filter(cooperative__name=cooperative)
    found = list(seasons)
    if len(found) == 1:
        return found[0]
    if found:
        names = ", ".join(season.cooperative.name for season in found)
        raise Refusal(f"Several cooperatives have a season {year}: {names}. Choose one with --cooperative.")
    known = ", ".join(str(year) for year in sorted(set(Season.objects.values_list("year", flat=True)))) or "none"
    raise Refusal(f"There is no season {year}{f' of {cooperative}' if cooperative else ''}. There are: {known}.")
