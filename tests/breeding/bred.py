"""A stock that was bred from: four founders, their daughters of 2024, and an evaluation that knows them all."""

from dataclasses import dataclass

from accounts.models import Member
from breeding.models import EvaluationRun, Merit, Queen, Trait, TraitValue
from breeding.services.matings import Share, mating_record
from breeding.services.traits import traits_make
from tests.factories import NOW, QueenFactory

FOUNDERS, DAUGHTERS = 4, 8


@dataclass
class Bred:
    run: EvaluationRun
    trait: Trait
    founders: list[Queen]
    daughters: list[Queen]


def breed(owner: Member, *, trait: Trait | None = None) -> Bred:
    """Founders `F0` … openly mated in 2021; daughters `D0` … of 2024, mated with two founders each."""
    founders: list[Queen] = [QueenFactory(owner=owner, label=f"F{n}", birth_year=2021) for n in range(FOUNDERS)]
    for founder in founders:
        mating_record(founder, kind="open", by=None, now=NOW)
    daughters: list[Queen] = [
        QueenFactory(owner=owner, label=f"D{n}", birth_year=2024, mother=founders[n % FOUNDERS])
        for n in range(DAUGHTERS)
    ]
    for n, daughter in enumerate(daughters):
        shares = [Share(founders[(n + 1) % FOUNDERS], 50), Share(founders[(n + 2) % FOUNDERS], 30)]
        mating_record(daughter, kind="pool", shares=shares, by=None, now=NOW)
    trait = trait or traits_make(owner.cooperative, by=None, now=NOW)[0]
    run = EvaluationRun.objects.create(
        cooperative=owner.cooperative, number=1, made_at=NOW, records_until=NOW.date(), queens=12, records=12,
        solver={}, parameters={
            "traits": [trait.key], "weights": {trait.key: 1.0}, "genetic_sd": {trait.key: 5.0},
            "G0": [[16.0, 1.0], [1.0, 7.0]],
        },
    )  # fmt: skip
    for n, queen in enumerate([*founders, *daughters]):
        queen.refresh_from_db()
        merit = 0.2 * n - 1
        TraitValue.objects.create(
            run=run, queen=queen, trait=trait, worker=5 * merit, queen_effect=0, total=5 * merit, total_error=1,
            total_reliability=0.5, as_mother=4 * merit, performance=4 * merit,
        )  # fmt: skip
        Merit.objects.create(
            run=run, queen=queen, merit=merit, merit_error=0.5, reliability=0.5, as_mother=0.8 * merit,
            place_best=1, place_worst=12, ranked=12,
        )  # fmt: skip
    return Bred(run, trait, founders, daughters)
