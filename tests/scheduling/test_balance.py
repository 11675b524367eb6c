"""The drone balance: whatever a session takes is gone for those after it, on the same day too."""

import datetime as dt

import pytest

from scheduling.models import BenchSession, DroneCall, DroneTally, Plan, SeasonSetting, SemenLot
from scheduling.queries.balance import balance_of
from scheduling.queries.drones import DroneRoom, safe_drones_on
from scheduling.queries.problem import problem_of
from scheduling.queries.sources import source_views
from scheduling.queries.today import _needs
from tests.factories import (
    NOW,
    BenchFactory,
    BenchSessionFactory,
    DroneCountFactory,
    PlanFactory,
)
from tests.scheduling.plan_world import PlanWorld


def two_benches(world: PlanWorld) -> tuple[BenchSession, BenchSession, BenchSession]:
    """One day at two benches, the second opened first, and two days later."""
    morning, later = world.sessions
    other = BenchFactory(cooperative=world.season.cooperative)
    evening = BenchSessionFactory(
        season=world.season,
        bench=other,
        day=morning.day,
        places=14,
        starts_at=morning.starts_at + dt.timedelta(hours=8),
        ends_at=morning.ends_at + dt.timedelta(hours=8),
    )
    world.ask("Rowan 1")
    plan = world.publish()
    DroneCall.objects.filter(plan=plan).delete()
    for session, drones in ((morning, 100), (evening, 50), (later, 30)):
        call(plan, session, drones, world)
    return morning, evening, later


def call(plan: Plan, session: BenchSession, drones: int, world: PlanWorld) -> None:
    DroneCall.objects.create(plan=plan, session=session, source=world.source, drones=drones, volume_tenths=80)


def test_of_two_benches_on_one_day_each_takes_its_own(db: None) -> None:
    world = PlanWorld()
    sessions = two_benches(world)
    [row] = balance_of(world.season, now=NOW)
    ripe = {day.session.pk: day.ripe for day in row.days}
    first, second, third = (ripe[session.pk] for session in sessions)
    assert first - second == 100
    survival = 0.96**2
    untaken_later = round((first) * survival)
    assert abs(third - (untaken_later - 150)) <= 1
    by_day = dict(row.bands)
    assert round(by_day[sessions[0].day].mean) == first
    assert round(by_day[sessions[2].day].mean) == third
    assert [day.called for day in row.days] == [100, 50, 30]


def test_today_counts_as_the_balance_does(db: None) -> None:
    world = PlanWorld()
    _morning, evening, _later = two_benches(world)
    [row] = balance_of(world.season, now=NOW)
    [need] = _needs(evening, world.season, today=NOW.date())
    assert (need.ripe, need.needed) == (row.days[1].ripe, 50)


@pytest.mark.parametrize("caught", ["1", "0.8"])
def test_drones_tried_at_a_bench_are_gone_until_the_next_count(caught: str, db: None) -> None:
    world = PlanWorld(days=(12, 14))
    SeasonSetting.objects.create(season=world.season, key="drone_recapture_share", value=caught, changed_at=NOW)
    today = NOW + dt.timedelta(days=3)
    before = ripe_on(world, today), stock_of(world, today)
    lot = SemenLot.objects.create(session=world.sessions[0], source=world.source, label="1", tip="1", opened_at=NOW)
    for outcome, drones, undone_at in (("usable", 60, None), ("none", 40, None), ("usable", 500, NOW)):
        DroneTally.objects.create(lot=lot, outcome=outcome, drones=drones, at=NOW, undone_at=undone_at)
    later = today + dt.timedelta(days=1)
    assert ripe_on(world, later) == round(before[0] * 0.96 - 100 * 0.96)
    assert stock_of(world, today) < before[1]
    # A count after it sees what is left; the hundred are not taken off once more.
    cohort = world.source.cohorts.get()
    DroneCountFactory(cohort=cohort, kind="seen", counted_on=later.date(), number=2000)
    assert ripe_on(world, later) > before[0]


def test_drones_called_for_and_tried_already_are_taken_off_once(db: None) -> None:
    world = PlanWorld(days=(12, 14))
    plan = PlanFactory(season=world.season, state="published", number=1, published_at=NOW)
    for session in world.sessions:
        DroneCall.objects.create(plan=plan, source=world.source, session=session, drones=100, volume_tenths=500)
    now = NOW + dt.timedelta(days=3)
    [before] = balance_of(world.season, now=now)
    lot = SemenLot.objects.create(session=world.sessions[0], source=world.source, label="1", tip="1", opened_at=now)
    DroneTally.objects.create(lot=lot, outcome="usable", drones=60, at=now)
    [after] = balance_of(world.season, now=now)
    first, second = after.days
    assert first.called == 40
    assert first.ripe == before.days[0].ripe - 60
    assert abs(second.ripe - before.days[1].ripe) <= 6  # the sixty would have been 55 two days later
    [view] = source_views(world.season.sources.all(), season=world.season, today=now.date())
    safe, room = safe_drones_on(view, world.sessions[1].day), DroneRoom(world.season, [view])
    assert room.left(view, world.sessions[1]) == safe - 40 - 100


def ripe_on(world: PlanWorld, now: dt.datetime) -> int:
    """Ripe that day, nothing being called for."""
    [row] = balance_of(world.season, now=now)
    return round(dict(row.bands)[now.date()].mean)


def stock_of(world: PlanWorld, now: dt.datetime) -> int:
    [source] = problem_of(world.season, now=now).sources
    return sum(cohort.stock_eq for cohort in source.cohorts)
