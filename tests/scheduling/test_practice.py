"""The practice season: what it shows, that it fits together, and that nothing of it stays."""

import datetime as dt
from collections import Counter
from collections.abc import Iterator

import numpy as np
import pytest
from django.contrib.auth.hashers import check_password
from django.db import transaction
from pytest_django.plugin import DjangoDbBlocker

from accounts.models import Person
from accounts.practice import PRACTICE_PASSWORD, practice_sign_ins
from breeding.models import Line, Mating, Score
from scheduling.models import (
    BenchSession,
    Booking,
    Co2Treatment,
    Dose,
    DroneSource,
    DroneTally,
    LotState,
    Plan,
    QueenBatch,
    QueenCheck,
    Season,
    SemenLot,
)
from scheduling.planning.checker import check
from scheduling.planning.facts import FACTS
from scheduling.planning.problem_file import problem_from_json
from scheduling.planning.timing import BatchState, CohortState
from scheduling.queries.batches import batch_views
from scheduling.queries.lots import lot_views
from scheduling.queries.plan_rows import pure_plan
from scheduling.queries.season import settings_of
from scheduling.queries.sources import source_views
from scheduling.services.practice import plot
from scheduling.services.practice.accuracy import accuracy_of, true_merit
from scheduling.services.practice.make import Made, practice_make
from scheduling.services.practice.pedigree import SIZES, invent_stock

NOW = dt.datetime(2026, 6, 9, 8, 0, tzinfo=dt.UTC)
TODAY = dt.date(2026, 6, 9)


@pytest.fixture(scope="module")
def made(django_db_setup: None, django_db_blocker: DjangoDbBlocker) -> Iterator[Made]:
    """Made once for the module, in a transaction that is rolled back; each test sees it through a savepoint."""
    with django_db_blocker.unblock(), transaction.atomic():
        yield practice_make(size="small", seconds=1.0, now=NOW)
        transaction.set_rollback(True)


@pytest.fixture
def season(made: Made, db: None) -> Season:
    return made.season


def test_the_standard_stock_is_as_large_as_promised_and_mated_in_every_way() -> None:
    stock = invent_stock(2025, SIZES["standard"], np.random.default_rng(1))
    assert len(stock.queens) >= 350
    assert len({row.line for row in stock.queens}) >= 5
    assert {row.birth_year for row in stock.queens if row.mother} == {2022, 2023, 2024, 2025}
    assert Counter(row.tested_in for row in stock.colonies if row.tested_in) == {2023: 108, 2024: 108, 2025: 108}
    assert {row.kind for row in stock.matings} == {"open", "station", "dpq", "pool", "batch", "single_drone"}
    pools = [row for row in stock.matings if row.kind == "pool"]
    assert any(len({tenths for _source, tenths, _drones in row.shares}) > 1 for row in pools)


def test_nothing_is_invented_twice_alike_and_the_same_seed_invents_the_same() -> None:
    one = invent_stock(2025, SIZES["standard"], np.random.default_rng(1))
    assert len({row.label for row in one.queens}) == len(one.queens)
    assert invent_stock(2025, SIZES["standard"], np.random.default_rng(1)) == one
    assert invent_stock(2025, SIZES["standard"], np.random.default_rng(2)) != one


def test_twelve_members_on_24_apiaries_and_everybody_signs_in_with_the_practice_password(made: Made, db: None) -> None:
    assert made.cooperative.is_practice
    assert made.cooperative.members.count() == 12
    assert [member.apiaries.count() for member in made.cooperative.members.all()] == [2] * 12
    assert [sign.email for sign in practice_sign_ins()] == [
        *("member1@example.org", "coordinator@example.org", "breeder@example.org", "operator@example.org")
    ]
    hashes = set(Person.objects.values_list("password", flat=True))
    assert len(hashes) == 1
    assert check_password(PRACTICE_PASSWORD, hashes.pop())
    everything = Person.objects.get(email="all@example.org")
    assert everything.role_grants.count() == 3
    assert everything.members.count() == 1
    assert Line.objects.filter(cooperative=made.cooperative).count() >= 5


def test_scores_lie_on_their_scales_and_the_evaluation_finds_the_truth(made: Made, db: None) -> None:
    values = Score.objects.filter(trait__key__in=["gentleness", "calmness"]).values_list("value", flat=True)
    assert {float(value) for value in values} <= {1.0, 1.5, 2.0, 2.5, 3.0, 3.5, 4.0}
    assert set(Score.objects.filter(trait__key="pin_test").values_list("whole", flat=True)) == {50}
    assert all(
        value * 10 == int(value * 10)
        for value in Score.objects.filter(trait__key="honey_yield").values_list("value", flat=True)
    )
    assert made.run.records == 108
    accuracy = accuracy_of(made.run)
    assert accuracy is not None
    assert accuracy.queens == 108
    assert accuracy.correlation > 0.35  # 108 records; the standard season has three times as many
    assert len(true_merit(made.cooperative)) == 138


def test_it_is_the_middle_of_the_season_and_every_state_can_be_seen(season: Season) -> None:
    assert season.starts_on < TODAY < season.ends_on
    batches = batch_views(QueenBatch.objects.filter(season=season), season=season, today=TODAY)
    assert len(batches) >= 20
    assert {view.state for view in batches} == set(BatchState)
    sources = source_views(DroneSource.objects.filter(season=season), season=season, today=TODAY)
    assert len(sources) >= 8
    assert {cohort.state for view in sources for cohort in view.cohorts} == set(CohortState)
    assert {view.state for view in sources} == {"offered", "on_hold", "withdrawn"}
    assert any(view.is_certificate_over for view in sources)
    assert any(cohort.is_not_counted for view in sources for cohort in view.cohorts)
    sessions = BenchSession.objects.filter(season=season, places__gt=0)
    assert Counter(sessions.values_list("state", flat=True)) == {"closed": 3, "running": 1, "open": 5, "cancelled": 1}
    assert set(Booking.objects.filter(season=season).values_list("state", flat=True)) == {
        *("asked", "queued", "placed", "moved", "at_bench", "done", "withdrawn")
    }


def test_every_figure_that_planning_needs_is_set_with_its_reason(season: Season) -> None:
    assert settings_of(season).missing(FACTS) == ()
    rows = {row.key: row for row in season.settings.all()}
    assert set(rows) == {key for key, _value, _reason in plot.SETTINGS}
    assert all(row.reason and row.changed_by for row in rows.values())


def test_the_published_plan_was_solved_and_breaks_no_rule(season: Season) -> None:
    plans = list(Plan.objects.filter(season=season).order_by("number"))
    assert [plan.state for plan in plans] == ["closed"] * (len(plans) - 1) + ["published"]
    in_force = plans[-1]
    assert in_force.job is not None
    assert in_force.job.state == "ready"
    assert in_force.result["served"] >= 0.8 * in_force.result["requested"]
    assert in_force.drone_calls.exists()
    problem = problem_from_json(in_force.problem)
    assert problem.requested == in_force.result["requested"]
    assert check(problem, pure_plan(in_force, problem)) == []


def test_closed_benches_add_up_and_wrote_matings_of_what_was_given(season: Season) -> None:
    closed = BenchSession.objects.filter(season=season, state="closed", places__gt=0)
    lots = lot_views(SemenLot.objects.filter(session__in=closed))
    assert lots
    assert [view.balance.unexplained for view in lots] == [0] * len(lots)
    assert all(view.usable > 0 for view in lots if view.lot.source is not None)
    assert any(view.lot.semen_batch is not None for view in lots)
    assert {view.lot.state for view in lots} == {LotState.USED_UP}
    dosed = set(Dose.objects.filter(session__in=closed).values_list("batch_queen__queen", flat=True))
    matings = Mating.objects.filter(queen__in=dosed)
    assert matings.count() == len(dosed) > 20
    assert "batch" in set(matings.values_list("kind", flat=True))
    assert all(mating.is_complete for mating in matings.exclude(kind="batch"))
    treated = Co2Treatment.objects.filter(batch_queen__queen__in=dosed, ended_at__isnull=False)
    assert Counter(treated.values_list("batch_queen__queen", flat=True)) == dict.fromkeys(dosed, 2)
    assert DroneTally.objects.filter(lot__session__in=closed).exclude(outcome="usable").exists()
    found = set(QueenCheck.objects.filter(replaced_by=None).values_list("finding", flat=True))
    assert {"eggs", "worker_brood", "no_eggs"} <= found


def test_the_bench_of_today_stands_still_with_a_queen_on_the_hook(season: Season) -> None:
    running = BenchSession.objects.get(season=season, state="running")
    assert running.day == TODAY
    states = Counter(running.bench_places.exclude(state="freed").values_list("batch_queen__state", flat=True))
    assert states["on_hook"] == 1
    assert states["inseminated"] >= 3
    assert states["waiting"] + states["first_co2"] >= 3
    assert not Co2Treatment.objects.filter(ended_at=None).exists()  # nobody is there to stop it
    assert not Dose.objects.filter(given_at__gt=NOW).exists()
