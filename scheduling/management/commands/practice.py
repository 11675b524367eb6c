"""`manage.py practice`: the practice cooperative with a running season, where there is no cooperative yet."""

import datetime as dt
import time
from argparse import ArgumentParser, ArgumentTypeError
from typing import Any

from django.core.management.base import BaseCommand, CommandError
from django.utils import timezone

from accounts.models import Cooperative
from accounts.refusals import Refusal
from breeding.models import EvaluationRun, Queen
from breeding.queries.ranking import latest_run
from scheduling.services.practice.accuracy import accuracy_of
from scheduling.services.practice.make import practice_make
from scheduling.services.practice.pedigree import SIZES
from scheduling.services.practice.remove import practice_remove


class Command(BaseCommand):
    help = "Make the practice cooperative with a season in its middle. Does nothing when there is a cooperative."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--size", choices=sorted(SIZES), default="standard", help="How large its stock is.")
        parser.add_argument("--remove", action="store_true", help="Remove the practice cooperative with all of it.")
        parser.add_argument("--no-input", action="store_true", help="With --remove: do not ask first.")
        parser.add_argument("--now", type=_moment, default=None, help="The season's middle, as 2026-06-09T08:00+00:00.")

    def handle(self, *args: Any, **options: Any) -> None:
        if options["remove"]:
            self._remove(ask=not options["no_input"])
            return
        known = Cooperative.objects.order_by("pk").first()
        if known is not None:
            self._say_known(known)
            return
        self.stdout.write("Making the practice season; this takes up to a minute")
        started = time.monotonic()
        try:
            made = practice_make(size=options["size"], now=options["now"] or timezone.now())
        except Refusal as refusal:
            raise CommandError(refusal.text) from refusal
        queens = Queen.objects.filter(cooperative=made.cooperative).count()
        self.stdout.write(
            f"{made.cooperative}: {queens} queens, {made.season.batches.count()} batches, "
            f"{made.season.sources.count()} drone sources, {made.season.sessions.count()} bench days, "
            f"made in {time.monotonic() - started:.0f} seconds."
        )
        self._say_accuracy(made.run)

    def _remove(self, *, ask: bool) -> None:
        cooperative = Cooperative.objects.filter(is_practice=True).first()
        if cooperative is None:
            self.stdout.write("There is no practice cooperative.")
            return
        if ask and input(f"Remove {cooperative} with everything of it, for good? Write yes: ").strip().lower() != "yes":
            raise CommandError("Nothing was removed.")
        practice_remove(cooperative, by=None, now=timezone.now())
        self.stdout.write(f"{cooperative} was removed.")

    def _say_known(self, cooperative: Cooperative) -> None:
        if not cooperative.is_practice:
            self.stdout.write(f"{cooperative} is here, so no practice season was made.")
            return
        self.stdout.write(f"{cooperative} is here already; nothing was changed.")
        run = latest_run(cooperative)
        if run is not None:
            self._say_accuracy(run)

    def _say_accuracy(self, run: EvaluationRun) -> None:
        accuracy = accuracy_of(run)
        if accuracy is not None:
            self.stdout.write(
                f"{run}: true and estimated merit of {accuracy.queens} tested queens correlate "
                f"by {accuracy.correlation:.2f}."
            )


def _moment(text: str) -> dt.datetime:
    try:
        moment = dt.datetime.fromisoformat(text)
    except ValueError:
        raise ArgumentTypeError(f"“{text}” is no moment; write 2026-06-09T08:00+00:00") from None
    return moment if moment.tzinfo else moment.replace(tzinfo=dt.UTC)
