"""The large practice cooperative in small: every season hangs together, and nothing of it stays."""

import datetime as dt
from collections import Counter
from collections.abc import Iterator

import numpy as np
import pytest
from django.db import transaction
from django.db.models import F, Sum
from pytest_django.plugin import DjangoDbBlocker

from breeding.models import Mating, Queen, Score
from scheduling.models import (
    BatchQueen,
    BenchPlace,
    BenchSession,
    Booking,
    Dose,
    LotMovement,
    Plan,
    QueenCheck,
    Reminder,
    Season,
)
from scheduling.services.practice import crowd, pedigree
from scheduling.services.practice.make import Made, practice_make
from scheduling.services.practice.names import members_invented
from scheduling.services.practice.pedigree import SIZES, Size, invent_stock
from scheduling.services.practice.remove import practice_remove

NOW = dt.datetime(2026, 6, 9, 8, 0, tzinfo=dt.UTC)
LARGE = SIZES["large"]
MEMBERS = 20


@pytest.fixture(scope="module")
def made(django_db_setup: None, django_db_blocker: DjangoDbBlocker) -> Iterator[Made]:
    with django_db_blocker.unblock(), transaction.atomic(), pytest.MonkeyPatch.context() as patch:
        small = Size(3, 2, 2, herds=2, sources=3, members=MEMBERS, in_test=1)
        patch.setitem(pedigree.SIZES, "large", small)
        patch.setattr(crowd, "BATCHES", 20)
        patch.setattr(crowd, "SOURCES", 6)
        yield practice_make(size="large", seconds=0.5, now=NOW)
        transaction.set_rollback(True)


def test_its_stock_is_as_large_as_promised() -> None:
    stock = invent_stock(2025, LARGE, np.random.default_rng(1))
    assert len(stock.queens) == 20_400
    assert len({row.label.lower() for row in stock.queens}) == len(stock.queens)
    assert {row.owner for row in stock.queens} == set(range(300))
    assert max(len(row.label) for row in stock.queens) <= 40


def test_three_hundred_members_have_names_of_their_own() -> None:
    names = members_invented(300)
    assert len(names) == 300
    assert len({name.business.lower() for name in names}) == 300
    assert len({name.person for name in names}) == 300
    assert all(len(set(name.apiaries)) == 2 for name in names)


def test_five_seasons_of_which_one_runs(made: Made, db: None) -> None:
    seasons = {season.year: season.closed_at is None for season in Season.objects.all()}
    assert seasons == {2022: False, 2023: False, 2024: False, 2025: False, 2026: True}
    assert made.cooperative.members.count() == MEMBERS
    assert set(Score.objects.values_list("scored_on__year", flat=True)) == {2023, 2024, 2025, 2026}
    assert not Score.objects.filter(scored_on__gt=NOW.date()).exists()


def test_what_a_queen_got_at_a_past_bench_is_what_her_mating_says(made: Made, db: None) -> None:
    past = Dose.objects.filter(session__season__closed_at__isnull=False)
    given = {
        queen: (tenths, day)
        for queen, day, tenths in past.values_list("batch_queen__queen", "session__day").annotate(
            tenths=Sum("volume_tenths")
        )
    }
    matings = Mating.objects.filter(queen__in=given)
    assert given == {mating.queen_id: (mating.total_tenths, mating.mated_on) for mating in matings}
    assert len(given) > 100
    places = BenchPlace.objects.filter(session__season__closed_at__isnull=False)
    assert set(places.values_list("state", flat=True)) == {"done"}
    assert set(places.values_list("batch_queen__queen", flat=True)) == set(given)
    assert not places.exclude(batch_queen__queen__mother=F("booking__batch__mother")).exists()
    assert max(Counter(places.values_list("session", flat=True)).values()) <= 20


def test_every_past_lot_adds_up(made: Made, db: None) -> None:
    past = {"session__season__closed_at__isnull": False}
    given = dict(Dose.objects.filter(**past).values_list("lot").annotate(Sum("volume_tenths")))
    lots = {f"lot__{key}": value for key, value in past.items()}
    collected = dict(LotMovement.objects.filter(**lots).values_list("lot").annotate(Sum("volume_tenths")))
    assert given == collected
    assert len(given) > 20


def test_queens_mated_elsewhere_were_set_aside_with_the_reason(made: Made, db: None) -> None:
    virgins = BatchQueen.objects.filter(batch__season__closed_at__isnull=False)
    states = Counter(virgins.values_list("queen__mating__kind", "state"))
    assert {state for (kind, state) in states if kind in {"open", "station", "batch"}} == {"set_aside"}
    assert {state for (kind, state) in states if kind in {"dpq", "pool", "single_drone"}} == {"second_co2"}
    assert not virgins.filter(state="set_aside", state_reason="").exists()
    assert virgins.count() == Queen.objects.exclude(mother=None).filter(birth_year__lt=2026).count()
    assert set(QueenCheck.objects.filter(batch_queen__in=virgins).values_list("finding", flat=True)) == {
        *("eggs", "no_eggs", "worker_brood")
    }


def test_the_last_plan_of_the_running_season_found_places_for_the_crowd(made: Made, db: None) -> None:
    plan = Plan.objects.get(season=made.season, state="published")
    asked = Booking.objects.filter(
        season=made.season, asked_by__email__in=[f"member{n}@example.org" for n in range(13, 21)]
    )
    assert asked.count() > 10
    assert plan.placements.filter(booking__in=asked).exists()
    assert set(asked.values_list("state", flat=True)) <= {"placed", "queued"}
    assert BenchSession.objects.filter(season=made.season, bench__name__startswith="Bench ").count() == 72
    assert Reminder.objects.filter(member__in=asked.values("member"), state="wanted").exists()


def test_removing_it_leaves_nothing(made: Made, db: None) -> None:
    practice_remove(made.cooperative, by=None, now=NOW)
    assert not Queen.objects.exists()
    assert not Season.objects.exists()
