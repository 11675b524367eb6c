"""From requests to a published plan: worked out, moved by hand, published once, told to exactly those concerned."""

import datetime as dt

import pytest

from accounts.models import AuditEntry, Job, Person
from accounts.refusals import Refusal
from accounts.services.jobs import job_run
from scheduling.models import (
    BenchPlace,
    BenchSession,
    Booking,
    BookingState,
    DroneCall,
    DroneSource,
    Placement,
    PlaceState,
    Plan,
    PlanState,
    Reminder,
    ReminderState,
    Season,
    SeasonSetting,
)
from scheduling.queries.plans import member_changes, plan_in_force
from scheduling.queries.problem import problem_of
from scheduling.queries.worked_out import facts_mark
from scheduling.services.bookings import booking_withdraw
from scheduling.services.plan_ask import plan_ask
from scheduling.services.plan_publish import plan_publish
from scheduling.services.plans import plan_discard, plan_move, plan_sketch_from, plan_take_out
from tests.factories import (
    NOW,
    BenchFactory,
    BenchSessionFactory,
    BookingFactory,
    BookingSourceFactory,
    DroneCohortFactory,
    DroneCountFactory,
    DroneSourceFactory,
    MemberPersonFactory,
    PersonFactory,
    QueenBatchFactory,
    SeasonFactory,
)

pytestmark = pytest.mark.django_db

DAY = dt.timedelta(days=1)
SETTINGS = {"drone_daily_survival": "0.96", "operator_queens_per_hour": "15", "operator_drones_per_hour": "60"}


class World:
    """A season with two bench days, one source with plenty of drones, two members who ask."""

    def __init__(self) -> None:
        self.by: Person = PersonFactory(name="Coordinator")
        self.season: Season = SeasonFactory()
        for key, value in {**SETTINGS, "source_setup_minutes": "8"}.items():
            SeasonSetting.objects.create(season=self.season, key=key, value=value, changed_at=NOW)
        bench = BenchFactory(cooperative=self.season.cooperative)
        self.first: BenchSession = BenchSessionFactory(season=self.season, bench=bench, day=dt.date(2026, 6, 10))
        self.second: BenchSession = BenchSessionFactory(season=self.season, bench=bench, day=dt.date(2026, 6, 12))
        self.source: DroneSource = DroneSourceFactory(season=self.season)
        cohort = DroneCohortFactory(source=self.source, comb_in_on=dt.date(2026, 4, 28))
        DroneCountFactory(cohort=cohort, kind="capped", counted_on=dt.date(2026, 5, 12), number=1500)
        self.bookings = [self.ask("Rowan 1"), self.ask("Alder 1")]

    def ask(self, name: str, queens: int = 5) -> Booking:
        # Grafted on 21 May: emerge on 2 June, 8 days old on 10 June.
        batch = QueenBatchFactory(season=self.season, name=name, grafted_on=dt.date(2026, 5, 21))
        MemberPersonFactory(member=batch.member)
        booking: Booking = BookingFactory(batch=batch, queens=queens, wished_session=self.first)
        BookingSourceFactory(booking=booking, source=self.source, merit=0.5, inbreeding=0.02, viability=0.93)
        return booking

    def work_out(self) -> Plan:
        plan = plan_ask(self.season, by=self.by, now=NOW, seconds=2)
        assert plan.job is not None
        assert job_run(plan.job.pk, now=NOW)
        job = Job.objects.get(pk=plan.job.pk)
        assert (job.state, job.problem) == ("ready", "")
        return Plan.objects.get(pk=plan.pk)

    def publish(self) -> Plan:
        return plan_publish(self.work_out(), by=self.by, now=NOW)


@pytest.fixture
def world() -> World:
    return World()


def refused(rule: str) -> "pytest.RaisesExc[Refusal]":
    return pytest.raises(Refusal, check=lambda refusal: refusal.rule == rule)


def test_planning_asks_for_the_figures_nobody_has_published(world: World) -> None:
    SeasonSetting.objects.filter(key="drone_daily_survival").delete()
    with refused("settings_missing"):
        plan_ask(world.season, by=world.by, now=NOW)


def test_without_bench_days_or_requests_there_is_nothing_to_plan(world: World) -> None:
    BenchSession.objects.update(state="cancelled")
    with refused("plan_needs_sessions"):
        plan_ask(world.season, by=world.by, now=NOW)
    Booking.objects.update(state="withdrawn")
    with refused("plan_needs_bookings"):
        plan_ask(world.season, by=world.by, now=NOW)


def test_asking_twice_while_one_is_worked_out_gives_the_same(world: World) -> None:
    first = plan_ask(world.season, by=world.by, now=NOW)
    assert plan_ask(world.season, by=world.by, now=NOW) == first
    assert Job.objects.count() == 1


def test_everybody_gets_a_place_when_there_is_room(world: World) -> None:
    plan = world.work_out()
    assert plan.state == PlanState.TO_CHECK
    assert (plan.result["served"], plan.result["requested"], plan.no_full_fit) == (10, 10, False)
    assert sum(Placement.objects.values_list("queens", flat=True)) == 10
    assert set(Placement.objects.values_list("source_id", flat=True)) == {world.source.pk}


def test_a_queen_without_a_place_has_a_reason(world: World) -> None:
    DroneSource.objects.update(hold_since=NOW.date(), hold_reason="Waiting for the laboratory.")
    plan = world.work_out()
    assert (plan.result["served"], plan.no_full_fit) == (0, True)
    assert [(row.queens, bool(row.reasons)) for row in plan.unserved.all()] == [(5, True), (5, True)]


def test_publishing_gives_numbered_places_calls_drones_and_tells_each_member_once(world: World) -> None:
    plan = world.publish()
    assert (plan.number, plan.state) == (1, PlanState.PUBLISHED)
    assert BenchPlace.objects.filter(state=PlaceState.HELD).count() == 10
    call_drones = sum(DroneCall.objects.values_list("volume_tenths", flat=True))
    assert call_drones == 800
    assert all(call.drones > call.volume_tenths / 10 for call in DroneCall.objects.all())
    told = Reminder.objects.filter(kind="place_given").values_list("member_id", flat=True)
    assert sorted(told) == sorted(booking.member_id for booking in world.bookings)
    assert set(Booking.objects.values_list("state", flat=True)) == {BookingState.PLACED}
    assert Reminder.objects.filter(kind="catch_drones", member=world.source.member).exists()
    plan_publish(plan, by=world.by, now=NOW)
    assert AuditEntry.objects.filter(action="plan.publish").count() == 1
    assert Reminder.objects.filter(kind="place_given").count() == 2


def test_first_co2_is_due_24_hours_before_the_bench(world: World) -> None:
    world.publish()
    for row in Reminder.objects.filter(kind="first_co2"):
        session = BenchSession.objects.get(pk=int(row.stage.removeprefix("s")))
        assert row.due_at == session.starts_at - dt.timedelta(hours=24)
    assert Reminder.objects.filter(kind="bench_time").count() >= 2


def test_a_move_by_hand_is_held_by_the_checker(world: World) -> None:
    plan = world.work_out()
    placement = plan.placements.filter(booking=world.bookings[0]).first()
    assert placement is not None
    target = world.second if placement.session == world.first else world.first
    moved = plan_move(
        plan,
        booking=world.bookings[0],
        session=target,
        source=world.source,
        queens=placement.queens,
        taken_from=placement,
        by=world.by,
        now=NOW,
    )
    assert (moved.state, moved.version) == (PlanState.SKETCH, 2)
    assert set(moved.placements.filter(booking=world.bookings[0]).values_list("session_id", flat=True)) == {target.pk}
    BenchSession.objects.filter(pk=target.pk).update(places=5)
    other = moved.placements.exclude(session=target).first()
    if other is not None:
        with refused("places"):
            plan_move(
                moved,
                booking=other.booking,
                session=target,
                source=world.source,
                queens=other.queens,
                taken_from=other,
                by=world.by,
                now=NOW,
            )


def test_a_move_to_a_source_nobody_asked_for_is_refused_by_name(world: World) -> None:
    plan = world.work_out()
    stranger = DroneSourceFactory(season=world.season, name="Tarn")
    placement = plan.placements.first()
    assert placement is not None
    with pytest.raises(Refusal, match="was not asked for with Tarn"):
        plan_move(
            plan,
            booking=placement.booking,
            session=placement.session,
            source=stranger,
            queens=1,
            taken_from=placement,
            by=world.by,
            now=NOW,
        )


def test_a_stale_version_is_refused(world: World) -> None:
    plan = world.work_out()
    with refused("plan_version"):
        plan_publish(plan, version=plan.version + 1, by=world.by, now=NOW)


def test_only_those_whose_places_change_are_told_of_the_next_plan(world: World) -> None:
    first = world.publish()
    sketch = plan_sketch_from(first, by=world.by, now=NOW)
    lost = sketch.placements.filter(booking=world.bookings[0])
    for placement in lost:
        sketch = plan_take_out(sketch, placement=placement, by=world.by, now=NOW)
    assert [(change.member, [c.kind for c in change.changes]) for change in member_changes(sketch, first)] == [
        (world.bookings[0].member, ["lost"])
    ]
    second = plan_publish(sketch, by=world.by, now=NOW + DAY / 24)
    first.refresh_from_db()
    assert (first.state, second.number, plan_in_force(world.season)) == (PlanState.CLOSED, 2, second)
    assert list(
        Reminder.objects.filter(kind="place_lost", state=ReminderState.WANTED).values_list("member_id", flat=True)
    ) == [world.bookings[0].member_id]
    assert not Reminder.objects.filter(
        kind="bench_time", member=world.bookings[0].member, state=ReminderState.WANTED
    ).exists()
    assert Reminder.objects.filter(
        kind="bench_time", member=world.bookings[1].member, state=ReminderState.WANTED
    ).exists()
    world.bookings[0].refresh_from_db()
    assert world.bookings[0].state == BookingState.QUEUED
    assert "5 queens have no place" in str(world.bookings[0].why)


def test_a_sketch_begun_before_another_plan_was_published_is_refused(world: World) -> None:
    first = world.publish()
    sketch = plan_sketch_from(first, by=world.by, now=NOW)
    other = plan_sketch_from(first, by=world.by, now=NOW)
    Plan.objects.filter(pk=other.pk).update(state=PlanState.SKETCH)
    placement = other.placements.first()
    assert placement is not None
    published = plan_publish(plan_take_out(other, placement=placement, by=world.by, now=NOW), by=world.by, now=NOW)
    Plan.objects.filter(pk=sketch.pk).update(state=PlanState.SKETCH)
    with refused("plan_base"):
        plan_publish(sketch, by=world.by, now=NOW)
    assert plan_in_force(world.season) == published


def test_a_plan_that_breaks_a_rule_by_now_is_not_published(world: World) -> None:
    plan = world.work_out()
    BenchSession.objects.update(places=1)
    with refused("places"):
        plan_publish(plan, by=world.by, now=NOW)
    assert not BenchPlace.objects.exists()
    plan.refresh_from_db()
    assert plan.number is None


def test_a_published_plan_is_not_set_aside_but_a_sketch_is(world: World) -> None:
    plan = world.publish()
    with refused("plan_published"):
        plan_discard(plan, by=world.by, now=NOW)
    sketch = plan_sketch_from(plan, by=world.by, now=NOW)
    assert plan_discard(sketch, by=world.by, now=NOW).state == PlanState.CLOSED


def test_changed_facts_are_noticed(world: World) -> None:
    plan = world.work_out()
    assert plan.facts_mark == facts_mark(problem_of(world.season, now=NOW))
    BenchSession.objects.update(operator_minutes=100)
    assert plan.facts_mark != facts_mark(problem_of(world.season, now=NOW))


def test_a_job_stopped_before_it_began_is_stopped(world: World) -> None:
    plan = plan_ask(world.season, by=world.by, now=NOW, seconds=2)
    assert plan.job is not None
    Job.objects.filter(pk=plan.job.pk).update(stop_requested_at=NOW)
    job_run(plan.job.pk, now=NOW)
    job = Job.objects.get(pk=plan.job.pk)
    assert job.state == "stopped"


def test_a_withdrawn_booking_reminds_nobody_and_frees_its_places(world: World) -> None:
    world.publish()
    booking = Booking.objects.get(pk=world.bookings[0].pk)
    booking_withdraw(booking, by=world.by, now=NOW)
    assert not Reminder.objects.filter(
        subject_type="scheduling.booking", subject_id=booking.pk, state=ReminderState.WANTED
    ).exists()
    assert BenchPlace.objects.filter(booking=booking, state=PlaceState.HELD).count() == 0
    assert BenchPlace.objects.filter(state=PlaceState.HELD).count() == 5
