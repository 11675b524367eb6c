"""From thirty new scores in the evening to all values as members see them, database included.

    OMP_NUM_THREADS=1 python -m benchmarks.evaluation [--colonies 10000 100000] [--database postgres://…]

Fills an empty database (SQLite in a temporary folder unless another is named) with a simulated cooperative by bulk
inserts, makes a whole evaluation, enters thirty scores, makes the short one and opens the first page of Standing.
Measured, not asserted. CPU seconds are those of this process; with PostgreSQL its own server works beside, so the
seconds of the clock stand there too.
"""

import argparse
import datetime as dt
import os
import resource
import tempfile
import time
import uuid
from typing import Any

import numpy as np

POINTS = 8  # generations, one a year
FIRST_YEAR = 2016
NOW = dt.datetime(FIRST_YEAR + POINTS, 9, 1, 18, 0, tzinfo=dt.UTC)
BRED = 0.1
NEW_SCORES = 30


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--colonies", type=int, nargs="+", default=[10_000, 100_000])
    parser.add_argument("--traits", type=int, default=1)
    parser.add_argument("--database", default="", help="an empty database; its tables are made and stay")
    chosen = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        os.environ["BROODTIDE_DATA_DIR"] = folder
        os.environ["DJANGO_SETTINGS_MODULE"] = "config.settings"
        os.environ["BROODTIDE_HOSTS"] = "testserver"
        if chosen.database:
            os.environ["BROODTIDE_DATABASE_URL"] = chosen.database
        else:
            os.environ.pop("BROODTIDE_DATABASE_URL", None)
        import django

        django.setup()
        from django.core.management import call_command
        from django.db import connection

        call_command("migrate", verbosity=0)
        for colonies in chosen.colonies:
            print(f"{colonies} colonies, {chosen.traits} trait(s), {connection.vendor}, load {os.getloadavg()[0]:.1f}")
            run(colonies, chosen.traits)


class Clock:
    """CPU and clock seconds between laps."""

    def __init__(self) -> None:
        self.begin = self.at = (time.process_time(), time.perf_counter())

    def lap(self, what: str) -> None:
        now = (time.process_time(), time.perf_counter())
        self._say(what, now, self.at)
        self.at = now

    def whole(self, what: str) -> None:
        self._say(what, (time.process_time(), time.perf_counter()), self.begin)

    @staticmethod
    def _say(what: str, now: tuple[float, float], before: tuple[float, float]) -> None:
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        cpu, clock = now[0] - before[0], now[1] - before[1]
        print(f"  {cpu:8.3f} s CPU {clock:8.3f} s clock  {what:<52} peak {peak:5.0f} MB", flush=True)


def run(colonies: int, n_traits: int) -> None:
    from django.test import Client
    from django.urls import reverse

    from accounts.models import Person
    from breeding.services.evaluation.asking import Choices

    clock = Clock()
    cooperative = filled(colonies, n_traits)
    clock.lap("filling the database")
    print(" whole evaluation")
    evaluated(cooperative, Choices())
    thirty_scores(cooperative)
    print(f" {NEW_SCORES} new scores, short evaluation")
    evaluated(cooperative, Choices(whole=False))
    client = Client()
    client.force_login(Person.objects.get(email=f"breeder{cooperative.pk}@example.org"))
    for visit in ("first page of Standing, templates cold", "first page of Standing"):
        clock = Clock()
        assert client.get(reverse("breeding:standing")).status_code == 200
        clock.lap(visit)


def evaluated(cooperative: Any, choices: Any) -> None:
    from accounts.models import Job
    from accounts.services import jobs
    from breeding.services.evaluation.asking import evaluation_ask
    from breeding.services.evaluation.job import evaluation_job

    job = evaluation_ask(cooperative, by=None, now=NOW, choices=choices)
    clock = Clock()
    begun = ["claiming the job"]

    class Watched(jobs.JobHandle):
        def report(self, *states: Any, **more: Any) -> None:
            super().report(*states, **more)
            if more.get("step"):
                clock.lap(begun[0])
                begun[0] = more["step"]

    token = uuid.uuid4()
    Job.objects.filter(pk=job.pk).update(lease_token=token)
    job.refresh_from_db()
    result = evaluation_job(Watched(job, token, NOW))
    clock.lap(begun[0])
    Job.objects.filter(pk=job.pk).update(state="ready", finished_at=NOW, result=result)
    clock.whole("IN ALL")


def filled(colonies: int, n_traits: int) -> Any:
    """A cooperative whose queens, matings, colonies and scores are those of the simulated population."""
    from django.db import transaction

    from accounts.models import Apiary, Cooperative, Member, Person, Role, RoleGrant
    from benchmarks.populations import population
    from breeding.genetics.entities import MIXTURE
    from breeding.models import Colony, Heading, Mating, MatingShare, Queen, Score
    from breeding.services.evaluation.bulk import rows_insert
    from breeding.services.traits import traits_make

    rng = np.random.default_rng(3)
    made = population(colonies, bred=BRED, generations=POINTS, rng=rng)
    plan, n = made.plan, made.plan.n_queens
    generation = np.arange(n) // (n // POINTS)
    year = FIRST_YEAR + generation
    first_place = np.array([made.place[generation == g].min() for g in range(POINTS)])
    apiary = made.place - first_place[generation]
    with transaction.atomic():
        cooperative = Cooperative.objects.create(name=f"Measured {colonies}", time_zone="UTC")
        traits = traits_make(cooperative, by=None, now=NOW)[:n_traits]
        breeder = Person.objects.create_user(f"breeder{cooperative.pk}@example.org", name="Breeder")
        RoleGrant.objects.create(person=breeder, cooperative=cooperative, role=Role.BREEDER)
        member = Member.objects.create(cooperative=cooperative, name="Measured")
        sites = [Apiary.objects.create(member=member, name=f"Site {k}").pk for k in range(int(apiary.max()) + 1)]
        after = {model: _last(model) for model in (Queen, Mating, Colony)}
        queen, mating, colony = (np.arange(n) + after[model] + 1 for model in (Queen, Mating, Colony))
        dams = np.where(plan.dam[:n] >= 0, queen[plan.dam[:n]], 0).tolist()
        living = (generation >= POINTS - 2).tolist()
        rows_insert(
            Queen,
            ["id", "cooperative", "owner", "label", "mother", "birth_year", "status", "origin", "mark_number",
             "gone_reason", "note", "created_at"],
            [(pk, cooperative.pk, member.pk, f"Q{pk}", dam or None, born, "mated" if alive else "gone", "", "", "", "",
              NOW) for pk, dam, born, alive in zip(queen.tolist(), dams, year.tolist(), living, strict=True)],
        )  # fmt: skip
        sets = plan.set_of
        sizes = np.diff(plan.sources.start)[sets]
        kinds = np.where(plan.kind[sets] == MIXTURE, np.where(sizes > 1, "pool", "dpq"), "open").tolist()
        rows_insert(
            Mating,
            ["id", "queen", "kind", "drones", "place", "recorded_at", "recorded_tenths", "is_complete"],
            [(pk, own, kind, 12 if kind == "open" else None, "", NOW, 0, False)
             for pk, own, kind in zip(mating.tolist(), queen.tolist(), kinds, strict=True)],
        )  # fmt: skip
        of_set = np.repeat(np.arange(len(plan.kind)), np.diff(plan.sources.start)) - n
        rows_insert(
            MatingShare,
            ["mating", "drone_queen", "drones"],
            zip(mating[of_set].tolist(), queen[plan.sources.index].tolist(), plan.source_drones.tolist(), strict=True),
        )
        rows_insert(
            Colony,
            ["id", "apiary", "name", "note", "ended_reason", "created_at"],
            [(pk, sites[at], str(pk), "", "", NOW) for pk, at in zip(colony.tolist(), apiary.tolist(), strict=True)],
        )
        rows_insert(
            Heading,
            ["colony", "queen", "since"],
            [(pk, own, dt.date(born, 7, 1)) for pk, own, born in
             zip(colony.tolist(), queen.tolist(), year.tolist(), strict=True)],
        )  # fmt: skip
        for trait in traits:
            values = results_of(plan, made.place, trait, rng)
            rows_insert(
                Score,
                ["colony", "queen", "trait", "scored_on", "value", "method", "recorded_at", "entry", "note"],
                [(pk, own, trait.pk, dt.date(born + 1, 7, 1), value, "", NOW, _entry(rng), "") for pk, own, born, value
                 in zip(colony.tolist(), queen.tolist(), year.tolist(), values, strict=True)],
            )  # fmt: skip
        _sequences(Queen, Mating, Colony)
    return cooperative


def results_of(plan: Any, place: Any, trait: Any, rng: np.random.Generator) -> list[float]:
    """Results with true values behind them, to a tenth of the unit and inside the trait's scale."""
    from breeding.genetics.colony_model import colony_rows
    from breeding.genetics.nodes import node_table
    from breeding.genetics.simulate import simulate_values
    from breeding.scoring import TRAITS
    from breeding.services.evaluation.parameters import starting_parameters

    table = node_table(plan)
    parameters = starting_parameters([trait])
    truth = simulate_values(table, parameters, rng)
    worker, own = colony_rows(table, np.arange(plan.n_queens))
    scale = TRAITS[trait.key]
    middle = float(min(scale.high, scale.low + 60) + scale.low) / 2
    value = middle + worker @ truth.nodes[:, 0] + own @ truth.nodes[:, 1]
    value += rng.standard_normal(len(value)) * float(np.sqrt(parameters.R0[0, 0]))
    value += 0.3 * float(trait.phenotypic_sd) * rng.standard_normal(int(place.max()) + 1)[place]
    return [round(x, 1) for x in np.clip(value, float(scale.low), float(scale.high)).tolist()]


def thirty_scores(cooperative: Any) -> None:
    from breeding.models import Score

    last = Score.objects.filter(trait__cooperative=cooperative).order_by("-pk").select_related("trait")[:NEW_SCORES]
    for score in last:
        Score.objects.create(
            colony_id=score.colony_id, queen_id=score.queen_id, trait=score.trait, value=7,
            scored_on=score.scored_on + dt.timedelta(days=20), recorded_at=NOW,
        )  # fmt: skip


def _entry(rng: np.random.Generator) -> Any:
    from django.db import connection

    made = uuid.UUID(bytes=rng.bytes(16))
    return made if connection.features.has_native_uuid_field else made.hex


def _last(model: Any) -> int:
    from django.db.models import Max

    return int(model.objects.aggregate(last=Max("pk"))["last"] or 0)


def _sequences(*models: Any) -> None:
    """PostgreSQL counts on from the keys that were given here."""
    from django.core.management.color import no_style
    from django.db import connection

    with connection.cursor() as cursor:
        for statement in connection.ops.sequence_reset_sql(no_style(), list(models)):
            cursor.execute(statement)


if __name__ == "__main__":
    main()
