"""Evaluation runs: what the job reads, what it refuses, what it writes, and that it runs twice without harm."""

import datetime as dt
import json
import random
import uuid
from decimal import Decimal

import numpy as np
import pytest
from django.utils.translation import override

from accounts.models import AuditEntry, Job, JobState
from accounts.queries.dump import plain_value
from accounts.services.jobs import job_ask_stop, job_run
from accounts.told import Told
from breeding.genetics.evaluation import evaluate
from breeding.genetics.records import ModelSpec
from breeding.models import EvaluationRun, Merit, Queen, Score, Trait, TraitValue
from breeding.queries.connection import FACTOR
from breeding.queries.pedigree import pedigree_of_cooperative
from breeding.queries.ranking import SURELY, StandingFilter, standing_of, surely_better
from breeding.queries.records import records_of
from breeding.services.evaluation.asking import evaluation_ask
from breeding.services.evaluation.parameters import merit_weights, starting_parameters
from breeding.services.matings import Share, mating_record
from breeding.services.queens import queen_back, queen_gone
from breeding.services.scores import score_record
from breeding.services.traits import traits_make
from tests.factories import (
    NOW,
    ApiaryFactory,
    ColonyFactory,
    CooperativeFactory,
    HeadingFactory,
    MemberFactory,
    PersonFactory,
    QueenFactory,
    ScoreFactory,
    TraitFactory,
)

pytestmark = pytest.mark.django_db


@pytest.fixture
def small() -> Job:
    """Three base queens, twelve daughters inseminated from two sources, tested at two apiaries; a job in line."""
    member = MemberFactory()
    traits = {trait.key: trait for trait in traits_make(member.cooperative, by=None, now=NOW)}
    mothers = [QueenFactory(owner=member, label=f"M{n}", birth_year=2022) for n in range(3)]
    for mother in mothers:
        mating_record(mother, kind="open", drones=10, by=None, now=NOW)
    apiaries = [ApiaryFactory(member=member, name=name) for name in ("Orchard", "Moor")]
    chance = random.Random(5)
    for number in range(12):
        queen = QueenFactory(owner=member, label=f"D{number}", mother=mothers[number % 3], birth_year=2024)
        mating_record(
            queen,
            kind="pool",
            shares=[Share(mothers[0], 50, 5), Share(mothers[1], 30)],
            mated_on=dt.date(2024, 6, 9),
            by=None,
            now=NOW,
        )
        heading = HeadingFactory(
            colony=ColonyFactory(apiary=apiaries[number % 2]), queen=queen, since=dt.date(2025, 4, 1)
        )
        for key, value in (("honey_yield", 20 + chance.randint(0, 30)), ("gentleness", chance.choice([2, 3, 4]))):
            score_record(
                heading.colony,
                trait=traits[key],
                scored_on=dt.date(2025, 7, 1),
                value=Decimal(value),
                by=None,
                now=NOW,
            )
    return evaluation_ask(member.cooperative, by=PersonFactory(name="Bea"), now=NOW)


def test_the_run_holds_exactly_what_the_kernel_says(small: Job) -> None:
    assert job_run(small.pk, now=NOW)
    run = EvaluationRun.objects.get(job=small)
    cooperative = run.cooperative
    used = list(Trait.objects.filter(cooperative=cooperative, key__in=["honey_yield", "gentleness"]))
    read = records_of(cooperative)
    direct = evaluate(
        pedigree_of_cooperative(cooperative),
        read.records,
        ModelSpec(fixed=(FACTOR,)),
        starting_parameters(used),
        weights=merit_weights(used),
        reference=[str(pk) for pk in Queen.objects.filter(label__startswith="D").values_list("pk", flat=True)],
    )
    assert (run.number, run.queens, run.records, run.records_until) == (1, 15, 12, dt.date(2026, 6, 9))
    assert run.parameters["traits"] == ["honey_yield", "gentleness"]
    for queen in Queen.objects.all():
        row = direct.row[str(queen.pk)]
        values = TraitValue.objects.filter(run=run, queen=queen).order_by("trait__position")
        assert [value.total for value in values] == pytest.approx(direct.total.value[row].tolist(), abs=1e-9)
        assert [value.total_error for value in values] == pytest.approx(direct.total.error[row].tolist(), abs=1e-9)
        assert [value.records for value in values] == direct.records[row].tolist()
        merit = Merit.objects.get(run=run, queen=queen)
        assert merit.merit == pytest.approx(float(direct.merit_drones.value[row, 0]), abs=1e-9)
        assert merit.as_mother == pytest.approx(float(direct.merit_mother.value[row, 0]), abs=1e-9)
        assert (merit.place_best, merit.place_worst, merit.ranked) != (None, None, None)
        assert 1 <= (merit.place_best or 0) <= (merit.place_worst or 0) <= 15
    tested = TraitValue.objects.filter(run=run, queen__label__startswith="D", trait__key="honey_yield")
    assert np.mean([value.total for value in tested]) == pytest.approx(0, abs=1e-9)
    assert AuditEntry.objects.get(action="evaluation.made").by_name == "Bea"
    small.refresh_from_db()
    assert (small.state, small.result["run"]) == (JobState.READY, run.pk)


def test_a_second_run_of_the_same_job_writes_nothing(small: Job) -> None:
    job_run(small.pk, now=NOW)
    Job.objects.filter(pk=small.pk).update(state=JobState.WORKING, finished_at=None, lease_until=None)
    assert job_run(small.pk, now=NOW)
    assert EvaluationRun.objects.count() == 1
    assert Merit.objects.count() == 15


def test_a_new_run_leaves_the_earlier_one_as_it_was(small: Job) -> None:
    job_run(small.pk, now=NOW)
    before = list(Merit.objects.order_by("pk").values())
    Score.objects.filter(trait__key="honey_yield").update(value=5)
    again = evaluation_ask(small.cooperative, by=None, now=NOW)
    job_run(again.pk, now=NOW)
    assert list(EvaluationRun.objects.order_by("number").values_list("number", flat=True)) == [1, 2]
    assert list(Merit.objects.filter(run__number=1).order_by("pk").values()) == before


def test_while_one_is_open_asking_gives_the_same(small: Job) -> None:
    assert evaluation_ask(small.cooperative, by=PersonFactory(), now=NOW, key=uuid.uuid4()) == small


def test_a_stopped_run_leaves_nothing(small: Job) -> None:
    job_ask_stop(small, by=PersonFactory(), now=NOW)
    job_run(small.pk, now=NOW)
    small.refresh_from_db()
    assert (small.state, EvaluationRun.objects.count()) == (JobState.STOPPED, 0)


def test_only_scores_up_to_the_asked_day_take_part(small: Job) -> None:
    Job.objects.filter(pk=small.pk).update(arguments={"records_until": "2025-06-30"})
    job_run(small.pk, now=NOW)
    small.refresh_from_db()
    assert small.state == JobState.STOPPED
    assert "no scores" in str(small.problem)


def test_without_any_scores_the_refusal_says_what_to_do() -> None:
    cooperative = CooperativeFactory()
    traits_make(cooperative, by=None, now=NOW)
    job = evaluation_ask(cooperative, by=None, now=NOW)
    job_run(job.pk, now=NOW)
    job.refresh_from_db()
    assert job.state == JobState.STOPPED
    assert "Enter scores" in str(job.problem)


def _apart(member: object, name: str, number: int, trait: Trait) -> None:
    """Colonies of unrelated queens at one apiary."""
    apiary = ApiaryFactory(member=member, name=name)
    mother = QueenFactory(owner=member, birth_year=2022)
    for _ in range(number):
        queen = QueenFactory(owner=member, mother=mother)
        colony = ColonyFactory(apiary=apiary)
        HeadingFactory(colony=colony, queen=queen)
        ScoreFactory(colony=colony, queen=queen, trait=trait, scored_on=dt.date(2025, 7, 1), value=20)


def test_groups_without_common_relatives_are_refused_by_name() -> None:
    member = MemberFactory()
    trait = TraitFactory(cooperative=member.cooperative)
    _apart(member, "Orchard", 3, trait)
    _apart(member, "Moor", 3, trait)
    job = evaluation_ask(member.cooperative, by=None, now=NOW)
    job_run(job.pk, now=NOW)
    job.refresh_from_db()
    assert job.state == JobState.STOPPED
    assert "share no relatives" in str(job.problem)
    assert "2025" in str(job.problem)
    assert EvaluationRun.objects.count() == 0


def test_a_small_unconnected_group_is_left_out_and_named(small: Job) -> None:
    member = Queen.objects.get(label="M0").owner
    _apart(member, "Island", 2, Trait.objects.get(key="honey_yield"))
    job_run(small.pk, now=NOW)
    run = EvaluationRun.objects.get()
    assert run.records == 12
    assert any("Island 2025" in str(check) for check in run.checks)
    with override("de"):
        checks = [str(check) for check in run.checks]
    assert any(check.startswith("Alle Sicherheiten liegen zwischen 0 und 1; die beste ist 0,") for check in checks)


def test_what_a_run_noticed_is_dumped_and_loaded_as_it_was_kept(small: Job) -> None:
    job_run(small.pk, now=NOW)
    run = EvaluationRun.objects.get()
    field = EvaluationRun._meta.get_field("checks")
    assert all(isinstance(check, Told) for check in run.checks)
    assert field.to_python(json.loads(json.dumps(plain_value(run.checks)))) == run.checks
    assert field.to_python(json.loads(json.dumps(field.value_to_string(run)))) == run.checks


def test_the_standing_filters_and_orders(small: Job) -> None:
    job_run(small.pk, now=NOW)
    run = EvaluationRun.objects.get()
    Queen.objects.filter(label="D3").update(status="gone")
    everyone = [merit.queen.label for merit in standing_of(run, StandingFilter(living=False))]
    assert len(everyone) == 15
    living = [merit.queen.label for merit in standing_of(run, StandingFilter())]
    assert living == [label for label in everyone if label != "D3"]
    tested = [merit.queen.label for merit in standing_of(run, StandingFilter(tested=True))]
    assert tested == [label for label in living if label.startswith("D")]
    by_trait = [
        TraitValue.objects.get(run=run, queen=merit.queen, trait__key="gentleness").total
        for merit in standing_of(run, StandingFilter(trait_key="gentleness"))
    ]
    assert by_trait == sorted(by_trait, reverse=True)
    better, ranked = surely_better(run)
    assert ranked == 14
    assert 0 <= better <= ranked
    best = standing_of(run, StandingFilter()).first()
    assert best is not None
    best_queen = Queen.objects.get(pk=best.queen_id)
    queen_gone(best_queen, by=None, now=NOW, gone_on=NOW.date())
    surely = best.merit > SURELY * best.merit_error
    assert surely_better(run) == (better - surely, ranked - 1)
    queen_back(best_queen, by=None, now=NOW)
    assert surely_better(run) == (better, ranked)
