"""The drone balance: whatever a session takes is gone for those after it, on the same day too."""

import datetime as dt

from scheduling.models import BenchSession, DroneCall, Plan
from scheduling.queries.balance import balance_of
from scheduling.queries.today import _needs
from tests.factories import NOW, BenchFactory, BenchSessionFactory
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
