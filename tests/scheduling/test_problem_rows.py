"""The planner's problem serves again while nothing changes, and follows whatever does."""

import datetime as dt
from collections.abc import Callable

import pytest
from django.db import connection
from django.db.models import QuerySet
from django.test.utils import CaptureQueriesContext

from accounts.models import Apiary, Cooperative
from breeding.models import Queen
from scheduling.models import (
    BatchQueen,
    BenchSession,
    Booking,
    BookingSource,
    Dose,
    DroneSource,
    LotState,
    Placement,
    Plan,
    QueenBatch,
    Season,
)
from scheduling.planning.problem import Problem
from scheduling.planning.service_curve import Truth
from scheduling.queries.problem import problem_and_truth, problems_forget
from scheduling.queries.sources_at_hand import sources_forget
from tests.factories import (
    NOW,
    ApiaryFactory,
    BatchQueenFactory,
    BenchFactory,
    BenchPlaceFactory,
    BenchSessionFactory,
    BookingSourceFactory,
    DroneSourceFactory,
)
from tests.scheduling.plan_world import DAY, PlanWorld
from tests.scheduling.test_supply import lot_of

pytestmark = pytest.mark.django_db
EMERGED = dt.date(2026, 6, 3)


@pytest.fixture
def world() -> PlanWorld:
    """Two requests with their places published, one of a batch that emerged, and a session that lies behind."""
    sources_forget()
    world = PlanWorld()
    first, second = world.ask("Alder"), world.ask("Rowan", minutes=1)
    batch = first.batch
    QueenBatch.objects.filter(pk=batch.pk).update(emerged_on=EMERGED, virgins_emerged=6, apiary=ApiaryFactory())
    for number in range(1, 7):
        BatchQueenFactory(batch=batch, number=number, queen__emerged_on=EMERGED)
    session = BenchSessionFactory(
        season=world.season, bench=world.sessions[0].bench, day=dt.date(2026, 6, 5), state="closed", closed_at=NOW
    )
    lot_of(session, world.source, usable=30, none=20, soiled=5, tenths=300, ages=(15, 18), state=LotState.STORED)
    world.publish()
    assert Placement.objects.filter(booking=second).exists()
    return world


def at_hand(world: PlanWorld) -> tuple[Problem, Truth]:
    season = Season.objects.select_related("cooperative").get(pk=world.season.pk)
    return problem_and_truth(season, now=NOW)


def made_anew(world: PlanWorld) -> tuple[Problem, Truth]:
    problems_forget()
    sources_forget()
    return at_hand(world)


def one_dose(world: PlanWorld, *, second_planned: bool = False) -> Dose:
    lot = world.source.lots.get()
    queen = BatchQueen.objects.filter(batch=world.bookings[0].batch).latest("number")
    dose: Dose = Dose.objects.create(
        session=lot.session, lot=lot, batch_queen=queen, volume_tenths=40, given_at=NOW, second_planned=second_planned
    )
    return dose


def alder(world: PlanWorld) -> "dict[str, int]":
    return {"pk": world.bookings[0].batch_id}


def queens_of_alder(world: PlanWorld) -> "QuerySet[BatchQueen]":
    return BatchQueen.objects.filter(batch=world.bookings[0].batch)


CHANGES: dict[str, Callable[[PlanWorld], object]] = {
    "fewer queens asked for": lambda w: Booking.objects.filter(pk=w.bookings[1].pk).update(queens=3),
    "another dose": lambda w: Booking.objects.filter(pk=w.bookings[1].pk).update(dose_tenths=60),
    "a request withdrawn": lambda w: Booking.objects.filter(pk=w.bookings[1].pk).update(state="withdrawn"),
    "one more request": lambda w: w.ask("Hazel", minutes=2),
    "one more source accepted": lambda w: BookingSourceFactory(
        booking=w.bookings[0], source=DroneSourceFactory(season=w.season)
    ),
    "a cross that turned out closer": lambda w: BookingSource.objects.filter(booking=w.bookings[0]).update(
        inbreeding=0.6
    ),
    "a later graft": lambda w: QueenBatch.objects.filter(pk=w.bookings[1].batch_id).update(
        grafted_on=dt.date(2026, 5, 24)
    ),
    "a batch closed": lambda w: QueenBatch.objects.filter(**alder(w)).update(closed_on=NOW.date()),
    "a later emergence": lambda w: Queen.objects.filter(batch_queen__in=queens_of_alder(w)).update(
        emerged_on=EMERGED + DAY
    ),
    "the youngest lost": lambda w: queens_of_alder(w).filter(number=1).update(state="lost", state_reason="Flew."),
    "queens lost": lambda w: queens_of_alder(w).filter(number__gt=3).update(state="lost", state_reason="Flew."),
    "queens inseminated": lambda w: [
        one_dose(w),
        queens_of_alder(w).filter(number__lt=3).update(state="set_aside", state_reason="Small."),
    ],
    "a second dose due": lambda w: one_dose(w, second_planned=True),
    "places done": lambda w: BenchPlaceFactory(
        booking=w.bookings[1], session=w.source.lots.get().session, state="done", position=1
    ),
    "another bench day": lambda w: BenchSessionFactory(
        season=w.season, bench=w.sessions[0].bench, day=dt.date(2026, 6, 13)
    ),
    "another bench": lambda w: BenchSessionFactory(
        season=w.season, bench=BenchFactory(cooperative=w.season.cooperative), day=dt.date(2026, 6, 13)
    ),
    "a shorter bench day": lambda w: BenchSession.objects.filter(pk=w.sessions[0].pk).update(operator_minutes=60),
    "a bench day cancelled": lambda w: BenchSession.objects.filter(pk=w.sessions[1].pk).update(state="cancelled"),
    "a bench day begun": lambda w: BenchSession.objects.filter(pk=w.sessions[0].pk).update(state="running"),
    "a card moved": lambda w: Placement.objects.filter(booking=w.bookings[0]).update(session=w.sessions[1]),
    "a card held fast": lambda w: Placement.objects.filter(booking=w.bookings[0]).update(frozen=True),
    "a plan taken back": lambda w: Plan.objects.filter(season=w.season).update(state="closed"),
    "a source on hold": lambda w: DroneSource.objects.filter(pk=w.source.pk).update(hold_since=NOW, hold_reason="M."),
    "a target": lambda w: DroneSource.objects.filter(pk=w.source.pk).update(share_target_permille=400),
    "semen thrown away": lambda w: w.source.lots.update(state=LotState.USED_UP),
    "semen looked at": lambda w: w.source.lots.update(viability_checked_on=NOW.date(), viability_percent=70),
    "where a batch stands": lambda w: Apiary.objects.filter(batches=w.bookings[0].batch).update(time_zone="Asia/Tokyo"),
    "where the cooperative is": lambda w: Cooperative.objects.filter(seasons=w.season).update(time_zone="Asia/Tokyo"),
    "a setting": lambda w: w.season.settings.filter(key="operator_queens_per_hour").update(value="10"),
}
# The days are the same ones there; semen of today lasts longer than the bench days; of six queens five are asked for.
SAME_PROBLEM = {"semen looked at", "the youngest lost", "where a batch stands", "where the cooperative is"}


@pytest.mark.parametrize("name", CHANGES)
def test_the_problem_follows_every_change(world: PlanWorld, name: str) -> None:
    before = at_hand(world)
    CHANGES[name](world)
    after = at_hand(world)
    assert after == made_anew(world)
    assert (after != before) == (name not in SAME_PROBLEM)


def test_while_nothing_changes_the_same_problem_serves_again(world: PlanWorld) -> None:
    season = Season.objects.select_related("cooperative").get(pk=world.season.pk)
    first, _truth = problem_and_truth(season, now=NOW)
    with CaptureQueriesContext(connection) as asked:
        assert problem_and_truth(season, now=NOW)[0] is first
    assert len(asked) == 25
    assert problem_and_truth(season, now=NOW + DAY)[0] is not first


def test_what_is_shared_cannot_be_changed(world: PlanWorld) -> None:
    problem, _truth = at_hand(world)
    with pytest.raises(TypeError):
        problem.meta["first_day"] = "2026-01-01"  # type: ignore[index]
