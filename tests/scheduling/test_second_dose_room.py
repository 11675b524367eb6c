"""The second part of a split dose has its minutes, its place, its drones and its semen before anything is planned."""

import datetime as dt
from typing import Any

import pytest

from scheduling.models import BenchSession, BookingState, Dose, DroneCall, Plan
from scheduling.planning.problem import BenchDay, Problem
from scheduling.queries.batches import batch_view
from scheduling.queries.choices import session_options, source_choices
from scheduling.queries.problem import problem_of
from scheduling.queries.second_doses import reserved_for_seconds
from scheduling.queries.sessions import places_left, sessions_to_come
from scheduling.services.bench_queens import bench_set_aside, dose_give, dose_undo
from scheduling.services.bench_session import session_close, session_start
from scheduling.services.bookings import booking_ask
from scheduling.services.lots import lot_open, lot_read, lot_tally
from scheduling.services.standby import standby_run
from tests.factories import NOW, BatchQueenFactory, BenchPlaceFactory, PlanFactory, QueenBatchFactory
from tests.scheduling.plan_world import PlanWorld

pytestmark = pytest.mark.django_db

HERE = dt.date(2026, 6, 3)  # emerged on


class SplitWorld(PlanWorld):
    """Friday's bench runs: the first queen of a booking gets the first part of her dose; Sunday's is open."""

    def __init__(self) -> None:
        super().__init__()
        self.booking = self.ask("Alder", 1)
        self.booking.state = BookingState.PLACED
        self.booking.save()
        self.queen = BatchQueenFactory(batch=self.booking.batch, queen__emerged_on=HERE, queen__birth_year=2026)
        self.friday, self.sunday = self.sessions
        # The plan in force has no places on Sunday: what is called for there is for second doses alone.
        self.plan: Plan = PlanFactory(season=self.season, state="published", number=1, published_at=NOW)
        self.place = BenchPlaceFactory(
            session=self.friday,
            position=1,
            plan=self.plan,
            booking=self.booking,
            batch_queen=self.queen,
            source=self.source,
            co2_before=False,
        )
        self.at = self.friday.starts_at
        session_start(self.friday, cautions_read=True, by=self.by, now=self.at)

    def first_part(self) -> Dose:
        lot = lot_open(self.friday, source=self.source, tip="T1", by=self.by, now=self.at)
        lot_tally(lot, outcome="usable", drones=5, by=self.by, now=self.at)
        lot_read(lot, volume_tenths=50, by=self.by, now=self.at)
        return dose_give(self.place, lot=lot, volume_tenths=40, second_planned=True, by=self.by, now=self.at)

    def problem(self) -> Problem:
        return problem_of(self.season, now=self.at)

    def day(self, session: BenchSession) -> BenchDay:
        first = dt.date.fromisoformat(self.problem().meta["first_day"])
        number = (session.day - first).days
        return next(day for bench in self.problem().benches for day in bench.days if day.day == number)


@pytest.fixture
def world() -> SplitWorld:
    return SplitWorld()


def test_minutes_a_place_and_drones_of_the_later_day_are_set_aside_once_the_first_part_is_given(
    world: SplitWorld,
) -> None:
    before = world.day(world.sunday)
    left = places_left(world.sunday)
    world.first_part()
    shown: Any = sessions_to_come(world.season, today=world.sunday.day).get(pk=world.sunday.pk)
    assert (shown.seconds, shown.left) == (1, left - 1)
    after = world.day(world.sunday)
    assert before.op_minutes - after.op_minutes == 4  # fifteen queens an hour
    assert before.max_queens - after.max_queens == 1
    assert places_left(world.sunday) == left - 1
    assert before.collect_drones - after.collect_drones >= 4  # 4 µl are at least four drones, with the reserve more
    assert after.co2_capacity == before.co2_capacity


@pytest.mark.parametrize(("split", "state"), [(False, BookingState.ASKED), (True, BookingState.QUEUED)])
def test_whoever_books_is_shown_and_held_what_second_doses_leave(world: SplitWorld, split: bool, state: str) -> None:
    if split:
        world.first_part()
    BenchSession.objects.filter(pk=world.sunday.pk).update(places=2)
    batch = QueenBatchFactory(season=world.season, grafted_on=dt.date(2026, 5, 22))
    view = batch_view(batch, today=world.at.date())
    choices = source_choices(view, only=[world.source.pk])
    options = session_options(view, choices, queens=2, dose_tenths=80, mode="each")
    [option] = [one for one in options if one.session.pk == world.sunday.pk]
    assert option.free == (1 if split else 2)
    world.sunday.refresh_from_db()
    asked = {"queens": 2, "sources": [world.source], "session": world.sunday, "dose_tenths": 80}
    booking = booking_ask(batch, **asked, by=world.by, now=world.at)  # type: ignore[arg-type]
    assert booking.state == state
    if split:
        assert str(booking.why) == "Sun 14 June has only 1 place free."


def test_the_drones_of_the_later_day_are_as_good_as_gone(world: SplitWorld) -> None:
    before = sum(cohort.stock_eq for cohort in world.problem().sources[0].cohorts)
    dose = world.first_part()
    with_second = sum(cohort.stock_eq for cohort in world.problem().sources[0].cohorts)
    Dose.objects.filter(pk=dose.pk).update(second_planned=False)
    without = sum(cohort.stock_eq for cohort in world.problem().sources[0].cohorts)
    assert with_second < without <= before


@pytest.mark.parametrize("end", ["undone", "set aside", "too early"])
def test_nothing_is_set_aside_where_no_second_part_will_come(world: SplitWorld, end: str) -> None:
    dose = world.first_part()
    assert {pk: one.queens for pk, one in reserved_for_seconds(world.season).items()} == {world.sunday.pk: 1}
    if end == "undone":
        dose_undo(dose, by=world.by, now=world.at)
    elif end == "set aside":
        bench_set_aside(world.place, reason="lame", lost=False, by=world.by, now=world.at)
    else:
        BenchSession.objects.filter(pk=world.sunday.pk).update(day=dt.date(2026, 6, 13))
    assert reserved_for_seconds(world.season) == {}


def test_a_split_from_a_pool_takes_of_each_source_its_share(world: SplitWorld) -> None:
    lot = world.first_part().lot
    other = world.source.season.sources.create(
        member=world.source.member,
        drone_queen=world.booking.batch.mother,
        name="Moss",
        letter="Z",
    )
    lot.source = None
    lot.save()
    lot.parts.create(source=world.source, drones=30)
    lot.parts.create(source=other, drones=20)
    assert dict(reserved_for_seconds(world.season)[world.sunday.pk].tenths) == {world.source.pk: 24.0, other.pk: 16.0}


def test_the_keeper_of_the_drones_is_asked_for_them_and_they_are_not_planned_twice(world: SplitWorld) -> None:
    world.first_part()
    session_close(world.friday, reason_for_rest="left over", by=world.by, now=world.at)
    standby_run(world.season, now=world.at)
    [call] = DroneCall.objects.filter(session=world.sunday)
    assert (call.source, call.volume_tenths) == (world.source, 40)
    assert call.drones >= 4
    again = world.day(world.sunday)
    standby_run(world.season, now=world.at)
    assert world.day(world.sunday) == again
    assert DroneCall.objects.get(session=world.sunday).drones == call.drones
