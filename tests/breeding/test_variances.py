"""Own variances: what the job finds and keeps, who adopts what, what evaluations then use, what the page says."""

import datetime as dt
from decimal import Decimal
from typing import Any

import numpy as np
import pytest

from accounts.models import AuditEntry, Cooperative, Job, JobState
from accounts.refusals import Refusal
from accounts.services.jobs import job_ask_stop, job_run
from breeding.genetics.estimates import estimate_components
from breeding.genetics.nodes import build_nodes
from breeding.genetics.parameters import Components, joined_parameters
from breeding.genetics.records import ModelSpec, Record
from breeding.genetics.simulate import RecordedColony, simulate_records, simulate_values
from breeding.models import EvaluationRun, Score, Trait, VarianceAdoption, VarianceEstimate
from breeding.queries.connection import FACTOR
from breeding.queries.pedigree import pedigree_of_cooperative
from breeding.queries.variance_words import trait_words
from breeding.queries.variances import adoption_in_use, usable_keys
from breeding.services.evaluation.asking import STARTER, Choices, evaluation_ask
from breeding.services.evaluation.parameters import parameters_of, starting_parameters
from breeding.services.matings import Share, mating_record
from breeding.services.traits import traits_make
from breeding.services.variances import findings
from breeding.services.variances.adopting import variances_adopt
from breeding.services.variances.asking import estimate_ask
from tests.breeding.variances import kept, made
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
)

pytestmark = pytest.mark.django_db

CLEAR = Components(worker=400.0, covariance=-40.0, queen=120.0, residual=60.0)


def _tested(member: Any, *, controlled: bool = True, families: int = 6, sisters: int = 5) -> None:
    """Two years of sisters from six mothers with inseminated daughters, honey simulated down the true pedigree."""
    honey = Trait.objects.get(cooperative=member.cooperative, key="honey_yield")
    mothers = [QueenFactory(owner=member, label=f"M{n}", birth_year=2022) for n in range(families)]
    for mother in mothers:
        mating_record(mother, kind="open", drones=10, by=None, now=NOW)
    apiaries = [ApiaryFactory(member=member, name=name) for name in ("Orchard", "Moor")]
    colonies: dict[str, Any] = {}
    older = mothers
    for year in (2023, 2024):
        young = []
        for number in range(families * sisters):
            queen = QueenFactory(
                owner=member, label=f"{year}-{number}", mother=older[number % families], birth_year=year
            )
            if controlled:
                one, two = (older[(number + step) % len(older)] for step in (1, 2))
                shares = [Share(one, 50, 5), Share(two, 30, 3)]
                mating_record(queen, kind="pool", shares=shares, mated_on=dt.date(year, 6, 9), by=None, now=NOW)
            else:
                mating_record(queen, kind="open", drones=12, by=None, now=NOW)
            colony = ColonyFactory(apiary=apiaries[number // families % 2])
            HeadingFactory(colony=colony, queen=queen, since=dt.date(year + 1, 4, 1))
            colonies[str(queen.pk)] = (colony, queen, dt.date(year + 1, 7, 1))
            young.append(queen)
        older = young[: 2 * families]
    rng = np.random.default_rng(7)
    true = joined_parameters(["honey_yield"], [CLEAR])
    truth = simulate_values(build_nodes(pedigree_of_cooperative(member.cooperative)), true, rng)
    tested = [RecordedColony(queen, {}) for queen in colonies]
    records = simulate_records(truth, true, tested, means={"honey_yield": 90.0}, factor_sd={}, rng=rng)
    for record in records:
        colony, queen, day = colonies[record.queen]
        value = Decimal(str(round(float(record.values["honey_yield"] or 0), 1)))
        ScoreFactory(colony=colony, queen=queen, trait=honey, scored_on=day, value=value)


@pytest.fixture
def cooperative() -> Cooperative:
    member = MemberFactory()
    traits_make(member.cooperative, by=None, now=NOW)
    _tested(member)
    made_for: Cooperative = member.cooperative
    return made_for


def _estimated(cooperative: Cooperative, **more: Any) -> VarianceEstimate:
    job = estimate_ask(cooperative, by=PersonFactory(name="Bea"), now=NOW, **more)
    job_run(job.pk, now=NOW)
    job.refresh_from_db()
    assert job.state == JobState.READY, job.problem
    return VarianceEstimate.objects.get(job=job)


# The job


def test_the_job_keeps_what_the_kernel_estimates_and_names_what_it_cannot(cooperative: Cooperative) -> None:
    estimate = _estimated(cooperative)
    honey = estimate.traits["honey_yield"]
    assert (estimate.number, estimate.records, honey["records"], honey["effects"]) == (1, 60, 60, "both")
    assert {found["status"] for key, found in estimate.traits.items() if key != "honey_yield"} == {"few"}
    scores = {
        str(score.queen_id): score for score in Score.objects.filter(trait__key="honey_yield").select_related("colony")
    }
    records = [
        Record(
            queen,
            {"honey_yield": float(score.value or 0)},
            {FACTOR: f"{score.colony.apiary_id}/{score.scored_on.year}"},
        )
        for queen, score in scores.items()
    ]
    trait = Trait.objects.get(key="honey_yield")
    direct = estimate_components(
        pedigree_of_cooperative(cooperative), records, ModelSpec(fixed=(FACTOR,)), starting_parameters([trait])
    )
    h = direct.heritabilities["honey_yield"]
    assert h.worker is not None
    assert honey["h2_worker"] == pytest.approx([h.worker.value, h.worker.se], rel=2e-2, abs=2e-3)
    assert honey["loglik"] == pytest.approx(direct.result.loglik, abs=1e-2)
    assert AuditEntry.objects.get(action="variances.estimated").by_name == "Bea"
    assert VarianceAdoption.objects.count() == 0


def test_a_second_run_of_the_same_job_writes_nothing(cooperative: Cooperative) -> None:
    estimate = _estimated(cooperative)
    Job.objects.filter(pk=estimate.job_id or 0).update(state=JobState.WORKING, finished_at=None, lease_until=None)
    assert job_run(estimate.job_id or 0, now=NOW)
    assert VarianceEstimate.objects.count() == 1


def test_a_stopped_estimate_leaves_nothing_and_one_in_line_is_not_doubled(cooperative: Cooperative) -> None:
    job = estimate_ask(cooperative, by=None, now=NOW)
    assert estimate_ask(cooperative, by=PersonFactory(), now=NOW, together=True) == job
    job_ask_stop(job, by=PersonFactory(), now=NOW)
    job_run(job.pk, now=NOW)
    job.refresh_from_db()
    assert (job.state, VarianceEstimate.objects.count()) == (JobState.STOPPED, 0)


def test_too_few_results_are_refused_with_what_is_needed(cooperative: Cooperative) -> None:
    Score.objects.filter(pk__in=list(Score.objects.values_list("pk", flat=True)[:20])).delete()
    job = estimate_ask(cooperative, by=None, now=NOW)
    job_run(job.pk, now=NOW)
    job.refresh_from_db()
    assert job.state == JobState.STOPPED
    assert "No trait has 50 results yet" in str(job.problem)


def test_openly_mated_stock_gets_the_queens_part_alone() -> None:
    member = MemberFactory()
    traits_make(member.cooperative, by=None, now=NOW)
    _tested(member, controlled=False)
    honey = _estimated(member.cooperative).traits["honey_yield"]
    assert (honey["effects"], honey["controlled"], honey["h2_worker"]) == ("queen", 0, None)
    assert "no tested queen was mated under control" in " ".join(trait_words(honey))


def test_results_that_are_all_alike_are_not_searched(cooperative: Cooperative) -> None:
    Score.objects.update(value=20)
    found = _estimated(cooperative).traits["honey_yield"]
    assert found["status"] == "flat"
    assert trait_words(found) == ["All results within an apiary and year are the same: nothing to estimate."]


def test_correlations_between_traits_need_two_that_stand_alone(cooperative: Cooperative) -> None:
    estimate = _estimated(cooperative, together=True)
    assert estimate.together["status"] == "few"


def test_two_traits_are_estimated_together_from_their_single_estimates(cooperative: Cooperative) -> None:
    """A second trait made of the first and noise; the joint estimate replaces both, its matrix holds covariances."""
    pedigree = pedigree_of_cooperative(cooperative)
    rng = np.random.default_rng(2)
    true = joined_parameters(["a", "b"], [CLEAR, CLEAR])
    truth = simulate_values(build_nodes(pedigree), true, rng)
    tested = [
        RecordedColony(str(pk), {FACTOR: "x"}) for pk in Score.objects.order_by("pk").values_list("queen_id", flat=True)
    ]
    records = simulate_records(truth, true, tested, means={"a": 0.0, "b": 0.0}, factor_sd={}, rng=rng)
    alone = {key: findings.Found(kept(), joined_parameters([key], [CLEAR])) for key in ("a", "b")}
    told, again = findings.together_found(pedigree, records, alone, lambda part: None)
    assert told["traits"] == ["a", "b"]
    if told["status"] == "estimable":
        matrices = findings.matrices_of(again, ["a", "b"])
        assert np.allclose(matrices["G0"], np.array(again["a"].parameters.G0))  # type: ignore[union-attr]
        assert np.allclose(np.diag(told["r"]), 1)
    else:
        assert again == {}


def test_matrices_stand_in_the_order_of_their_traits() -> None:
    one = joined_parameters(["a"], [Components(1, 0.1, 2, 3)])
    two = joined_parameters(["b"], [Components(4, 0.2, 5, 6)])
    lasting = findings.joined([two], lasting=False)
    found = {"a": findings.Found(kept(), one), "b": findings.Found(kept(), lasting)}
    matrices = findings.matrices_of(found, [])
    assert matrices["traits"] == ["a", "b"]
    assert np.diag(matrices["G0"]).tolist() == [1, 2, 4, 5]
    assert np.diag(matrices["R0"]).tolist() == [3, 6]
    assert not np.any(matrices["permanent"])


# Adopting


def test_a_person_adopts_some_traits_and_goes_back() -> None:
    cooperative = CooperativeFactory()
    estimate = made(cooperative, {"honey_yield": kept(), "gentleness": kept(), "swarming": kept(status="edge")})
    assert usable_keys(estimate) == ["honey_yield", "gentleness"]
    bea = PersonFactory(name="Bea")
    first = variances_adopt(cooperative, estimate=estimate, traits=["honey_yield"], seen=None, by=bea, now=NOW)
    assert first == adoption_in_use(cooperative)
    again = variances_adopt(cooperative, estimate=estimate, traits=["honey_yield"], seen=None, by=bea, now=NOW)
    assert again == first  # asked twice
    back = variances_adopt(cooperative, estimate=None, seen=first.pk if first else None, by=bea, now=NOW)
    assert back is not None
    assert (back.estimate, VarianceAdoption.objects.count()) == (None, 2)
    told = AuditEntry.objects.filter(action="variances.adopt").order_by("pk")
    assert [(entry.before, entry.after, entry.by_name) for entry in told] == [
        ({"estimate": None, "traits": []}, {"estimate": 1, "traits": ["honey_yield"]}, "Bea"),
        ({"estimate": 1, "traits": ["honey_yield"]}, {"estimate": None, "traits": []}, "Bea"),
    ]


def test_what_cannot_be_adopted_is_refused() -> None:
    cooperative = CooperativeFactory()
    estimate = made(cooperative, {"honey_yield": kept(), "swarming": kept(status="edge")})

    def refused(**more: Any) -> str:
        wanted = {"estimate": estimate, "traits": ["honey_yield"], "seen": None, "by": PersonFactory(), "now": NOW}
        with pytest.raises(Refusal) as refusal:
            variances_adopt(cooperative, **{**wanted, **more})
        return refusal.value.rule

    assert refused(traits=[]) == "no_traits"
    assert refused(traits=["swarming"]) == "not_usable"
    assert refused(traits=["honey_yield", "speed"]) == "not_usable"
    assert refused(estimate=made(CooperativeFactory(), {"honey_yield": kept()})) == "estimate_unknown"
    assert refused(seen=99) == "changed_meanwhile"
    assert VarianceAdoption.objects.count() == 0
    assert variances_adopt(cooperative, estimate=None, seen=None, by=PersonFactory(), now=NOW) is None


# What evaluations use


@pytest.fixture
def two_traits() -> tuple[Cooperative, list[Trait]]:
    cooperative = CooperativeFactory()
    traits_make(cooperative, by=None, now=NOW)
    return cooperative, list(Trait.objects.filter(key__in=["honey_yield", "gentleness"]))


def _adopt(cooperative: Cooperative, estimate: VarianceEstimate, *keys: str) -> None:
    variances_adopt(cooperative, estimate=estimate, traits=keys, seen=None, by=PersonFactory(), now=NOW)


def test_adopted_traits_take_their_estimates_and_the_others_their_start(
    two_traits: tuple[Cooperative, list[Trait]],
) -> None:
    cooperative, traits = two_traits
    start = starting_parameters(traits)
    before = parameters_of(cooperative, traits)
    assert (before.source, before.spec.effects, before.parameters.G0.tolist()) == ("starter", "both", start.G0.tolist())
    _adopt(cooperative, made(cooperative, {"gentleness": kept(), "honey_yield": kept()}), "gentleness")
    used = parameters_of(cooperative, traits)
    at = start.traits.index("gentleness")
    expected = start.G0.copy()
    expected[2 * at : 2 * at + 2, 2 * at : 2 * at + 2] = [[9, -1], [-1, 4]]
    assert used.parameters.G0.tolist() == expected.tolist()
    assert used.parameters.R0[at, at] == 7
    assert used.source == "estimate 1"
    assert str(used.words) == (
        "Variances of Gentleness are the cooperative's own estimates 1; those of Honey yield are starting values."
    )
    plain = parameters_of(cooperative, traits, choice=STARTER)
    assert (plain.source, plain.parameters.G0.tolist()) == ("starter", start.G0.tolist())


def test_an_estimate_of_the_queens_alone_serves_only_runs_of_one_effect(
    two_traits: tuple[Cooperative, list[Trait]],
) -> None:
    cooperative, traits = two_traits
    _adopt(cooperative, made(cooperative, {"gentleness": kept(effects="queen")}), "gentleness")
    both = parameters_of(cooperative, traits)
    assert (both.source, both.parameters.G0.tolist()) == ("starter", starting_parameters(traits).G0.tolist())
    assert "hold none that this evaluation can use" in str(both.words)
    one = parameters_of(cooperative, traits, effects="queen")
    at = one.parameters.traits.index("gentleness")
    assert one.parameters.G0[2 * at + 1, 2 * at + 1] == pytest.approx(5.0)
    assert not one.parameters.G0[0::2].any()
    assert (one.source, one.spec.effects) == ("estimate 1", "queen")


def test_a_lasting_effect_stays_only_when_every_trait_has_one(two_traits: tuple[Cooperative, list[Trait]]) -> None:
    cooperative, traits = two_traits
    found = {"honey_yield": kept(permanent=[0.1, 0.05]), "gentleness": kept(permanent=[0.1, 0.05])}
    estimate = made(cooperative, found, permanent=[[2.0, 0.0], [0.0, 3.0]])
    _adopt(cooperative, estimate, "honey_yield", "gentleness")
    used = parameters_of(cooperative, traits)
    assert used.spec.permanent_colony
    assert used.parameters.permanent is not None
    order = [used.parameters.traits.index(key) for key in ("honey_yield", "gentleness")]
    assert np.diag(used.parameters.permanent)[order].tolist() == [2, 3]
    first = adoption_in_use(cooperative)
    assert first is not None
    variances_adopt(cooperative, estimate=estimate, traits=["honey_yield"], seen=first.pk, by=PersonFactory(), now=NOW)
    used = parameters_of(cooperative, traits)
    assert (used.spec.permanent_colony, used.parameters.permanent) == (False, None)
    assert used.parameters.R0[order[0], order[0]] == 9


WHOSE = {
    "estimate 1": "Variances are the cooperative's own estimates 1",
    "starter": "Variances are the starting values of each trait.",
}


def test_a_run_says_whose_variances_it_used_and_uses_them(cooperative: Cooperative) -> None:
    _adopt(cooperative, made(cooperative, {"honey_yield": kept()}), "honey_yield")
    for choices, source in ((Choices(), "estimate 1"), (Choices(parameters=STARTER), "starter")):
        job = evaluation_ask(cooperative, by=None, now=NOW, choices=choices)
        job_run(job.pk, now=NOW)
        run = EvaluationRun.objects.get(job=job)
        assert (run.parameters["source"], run.parameters["effects"]) == (source, "both")
        assert (run.parameters["G0"] == [[9, -1], [-1, 4]]) is (source != "starter")
        assert any(WHOSE[source] in str(check) for check in run.checks)


def test_a_run_on_openly_mated_stock_puts_all_on_the_queen_and_says_so() -> None:
    member = MemberFactory()
    traits_make(member.cooperative, by=None, now=NOW)
    _tested(member, controlled=False, families=3, sisters=3)
    job = evaluation_ask(member.cooperative, by=None, now=NOW)
    job_run(job.pk, now=NOW)
    run = EvaluationRun.objects.get(job=job)
    assert run.parameters["effects"] == "queen"
    assert any("all breeding value is put on the queen" in str(check) for check in run.checks)
    assert not run.trait_values.exclude(worker=0).exists()
    assert run.trait_values.exclude(queen_effect=0).exists()
