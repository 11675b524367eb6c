"""What a run leaves for the next: taken over while it holds, worked out anew when it does not, never a value of it."""

import datetime as dt

import numpy as np
import pytest

from accounts.models import Job
from accounts.services.jobs import job_run
from breeding.genetics.entities import MIXTURE
from breeding.genetics.ranking import places_among
from breeding.models import EvaluationRun, EvaluationState, Merit, Queen, Score, Trait, TraitValue
from breeding.queries.season_arrays import season_arrays
from breeding.services.evaluation import state
from breeding.services.evaluation.asking import Choices, evaluation_ask
from breeding.services.evaluation.data import comparable, read_data
from tests.breeding.test_evaluation import small as small
from tests.factories import NOW, ColonyFactory, QueenFactory, ScoreFactory

pytestmark = pytest.mark.django_db
KEPT = "Errors and the luck behind likely places are those of evaluation 1"


def again(job: Job, *, whole: bool = False, is_trial: bool = False) -> EvaluationRun:
    choices = Choices(whole=whole, is_trial=is_trial)
    next_job = evaluation_ask(job.cooperative, by=None, now=NOW, choices=choices)
    assert job_run(next_job.pk, now=NOW)
    run: EvaluationRun = EvaluationRun.objects.get(job=next_job)
    return run


def one_more_score(value: int = 60) -> Queen:
    """A second harvest of a colony: another result of the same season, no new record."""
    score = Score.objects.filter(trait__key="honey_yield").order_by("pk").first()
    assert score is not None
    ScoreFactory(
        colony=score.colony, queen=score.queen, trait=score.trait, scored_on=dt.date(2025, 8, 1), value=value,
        recorded_at=NOW,
    )  # fmt: skip
    return score.queen


def values_of(run: EvaluationRun) -> dict[tuple[int, int], TraitValue]:
    return {(value.queen_id, value.trait_id): value for value in TraitValue.objects.filter(run=run)}


def places_of(run: EvaluationRun) -> dict[int, tuple[int | None, int | None, int | None]]:
    rows = Merit.objects.filter(run=run).values_list("queen_id", "place_best", "place_worst", "ranked")
    return {queen: (best, worst, ranked) for queen, best, worst, ranked in rows}


@pytest.mark.parametrize("many", [False, True])
def test_values_of_a_short_run_are_those_of_a_whole_one(
    small: Job, monkeypatch: pytest.MonkeyPatch, many: bool
) -> None:
    """With many queens errors and solutions are kept too, and the equations iterated from those."""
    if many:
        monkeypatch.setattr(state, "MANY_QUEENS", 1)
    job_run(small.pk, now=NOW)
    queen = one_more_score()
    short, whole = again(small), again(small, whole=True)
    assert any(str(note).startswith(KEPT) for note in short.checks)
    assert not any(str(note).startswith(KEPT) for note in whole.checks)
    assert ("conjugate" in short.solver["method"]) is many
    for key, value in values_of(whole).items():
        found = values_of(short)[key]
        assert found.total == pytest.approx(value.total, abs=1e-6)
        # Which colonies have results did not change: the errors taken over are exact.
        assert found.total_error == pytest.approx(value.total_error, rel=1e-9)
        assert found.performance_reliability == pytest.approx(value.performance_reliability, rel=1e-9)
    before = values_of(EvaluationRun.objects.get(number=1))
    assert (
        values_of(short)[(queen.pk, Trait.objects.get(key="honey_yield").pk)].total
        > before[(queen.pk, Trait.objects.get(key="honey_yield").pk)].total
    )
    places = {
        merit.queen_id: (merit.place_best, merit.place_worst, merit.ranked) for merit in Merit.objects.filter(run=whole)
    }
    assert {m.queen_id: (m.place_best, m.place_worst, m.ranked) for m in Merit.objects.filter(run=short)} == places


def test_a_first_result_of_a_queen_leaves_her_error_until_the_night(
    small: Job, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(state, "MANY_QUEENS", 1)
    Score.objects.filter(queen__label="D11").update(withdrawn_at=NOW)
    job_run(small.pk, now=NOW)
    Score.objects.filter(queen__label="D11").update(withdrawn_at=None)
    short, whole = again(small), again(small, whole=True)
    honey = Trait.objects.get(key="honey_yield").pk
    key = (Queen.objects.get(label="D11").pk, honey)
    before = values_of(EvaluationRun.objects.get(number=1))
    assert values_of(short)[key].total == pytest.approx(values_of(whole)[key].total, abs=1e-6)
    assert values_of(short)[key].total_error == pytest.approx(before[key].total_error, rel=1e-9)
    assert values_of(whole)[key].total_error < before[key].total_error


def change_pedigree(job: Job) -> None:
    QueenFactory(owner=Queen.objects.get(label="M0").owner, mother=Queen.objects.get(label="M0"))


def change_weights(job: Job) -> None:
    Trait.objects.filter(key="gentleness").update(merit_weight="0.9")


def change_variances(job: Job) -> None:
    Trait.objects.filter(key="gentleness").update(h2_worker="0.2")


def change_many_results(job: Job) -> None:
    Score.objects.filter(trait__key="gentleness").update(withdrawn_at=NOW)
    trait = Trait.objects.get(key="calmness")
    for score in Score.objects.filter(trait__key="honey_yield"):
        ScoreFactory(colony=score.colony, queen=score.queen, trait=trait, scored_on=score.scored_on, value=3)


def lose_state(job: Job) -> None:
    EvaluationState.objects.all().delete()


@pytest.mark.parametrize("change", [change_pedigree, change_weights, change_variances, change_many_results, lose_state])
def test_nothing_is_taken_over_when_it_does_not_hold(small: Job, change: object) -> None:
    job_run(small.pk, now=NOW)
    assert callable(change)
    change(small)
    short = again(small)
    assert not any(str(note).startswith(KEPT) for note in short.checks)
    assert EvaluationState.objects.get().run == short


def test_results_in_many_places_are_more_than_errors_stand(small: Job, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(state, "FEW_CHANGES", 3)
    job_run(small.pk, now=NOW)
    Score.objects.filter(queen__label__in=["D1", "D2"]).update(withdrawn_at=NOW)  # two traits each
    assert not any(str(note).startswith(KEPT) for note in again(small).checks)


def test_short_runs_and_trials_leave_the_state_alone(small: Job) -> None:
    job_run(small.pk, now=NOW)
    first = EvaluationState.objects.get()
    assert first.run.number == 1
    again(small)
    again(small, whole=True, is_trial=True)
    assert EvaluationState.objects.get().run == first.run
    assert EvaluationRun.objects.filter(is_trial=True).count() == 1


def test_places_are_quantiles_of_the_ranks_over_the_draws() -> None:
    # Two that never meet a third; between the two the draws decide half and half.
    value = np.array([0.0, 0.1, -9.0])
    errors = np.zeros((3, 40), dtype=np.float32)
    errors[0, ::2] = 1.0
    best, worst = places_among(value, errors)
    assert (best.tolist(), worst.tolist()) == ([1, 1, 3], [2, 2, 3])
    alone = places_among(np.array([1.0]), np.zeros((1, 1), dtype=np.float32))
    assert (alone[0].tolist(), alone[1].tolist()) == ([1], [1])


def test_results_hang_together_over_any_relative_and_over_shared_places(small: Job) -> None:
    cooperative = small.cooperative
    traits = list(Trait.objects.filter(cooperative=cooperative, in_evaluation=True))
    data = read_data(cooperative, traits, season_arrays(traits))
    assert (data.stock.plan.kind == MIXTURE).sum() == 12
    assert comparable(data.stock.plan, data.rows, data.levels.code).all()
    # A stranger at an apiary of others hangs together with them; at a place of her own she does not.
    stranger = QueenFactory(owner=Queen.objects.get(label="M0").owner)
    theirs = Score.objects.order_by("pk")[0].colony.apiary
    for colony, rows, notes in ((ColonyFactory(apiary=theirs), 13, 0), (ColonyFactory(), 12, 1)):
        score = ScoreFactory(colony=colony, queen=stranger, trait=traits[0], scored_on=dt.date(2025, 7, 1), value=20)
        found = read_data(cooperative, traits, season_arrays(traits))
        assert (len(found.rows), len(found.notes)) == (rows, notes)
        score.delete()
