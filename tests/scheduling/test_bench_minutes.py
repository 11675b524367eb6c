"""The bench's own minutes are the planner's capacity."""

import datetime as dt

import pytest

from scheduling.models import SeasonSetting
from scheduling.planning.minutes import Interval
from scheduling.queries.minutes import bench_minutes, intervals_of
from scheduling.queries.problem import problem_of
from scheduling.queries.season import settings_of
from scheduling.services.bench_queens import dose_give
from scheduling.services.bench_session import session_close
from scheduling.services.lots import lot_open, lot_read, lot_tally
from tests.factories import NOW, BenchSessionFactory
from tests.scheduling.plan_world import SETTINGS
from tests.scheduling.test_bench import MINUTE, Bench

pytestmark = pytest.mark.django_db


@pytest.fixture
def bench() -> Bench:
    """Six queens, fourteen minutes each, four drones before each; a change of source before the last."""
    one = Bench(queens=6)
    for key, value in SETTINGS.items():
        SeasonSetting.objects.create(season=one.session.season, key=key, value=value, changed_at=NOW)
    lot, at = one.lot(tenths=900), NOW
    for index in range(6):
        at += 14 * MINUTE
        if index == 5:
            other = lot_open(one.session, source=one.other, tip="T2", by=one.by, now=at - 5 * MINUTE)
            lot_read(other, volume_tenths=100, by=one.by, now=at - 4 * MINUTE)
            lot, place = other, one.places[5]
            type(place).objects.filter(pk=place.pk).update(source=None)
        lot_tally(lot, outcome="usable", drones=4, by=one.by, now=at - MINUTE)
        dose_give(one.places[index], lot=lot, volume_tenths=60, by=one.by, now=at)
        if index == 0:
            dose_give(one.places[0], lot=lot, volume_tenths=10, more=True, by=one.by, now=at + MINUTE)
    session_close(one.session, reason_for_rest="dried", by=one.by, now=at + MINUTE)
    return one


def test_each_dose_after_the_first_is_an_interval_with_its_drones_and_changes(bench: Bench) -> None:
    found = intervals_of(bench.session.season)
    assert list(found) == [bench.by.pk]
    assert found[bench.by.pk] == [Interval(14.0, 4, 0)] * 4 + [Interval(14.0, 4, 1)]


def test_an_operator_who_takes_longer_has_fewer_minutes_in_the_plan(bench: Bench) -> None:
    season = bench.session.season
    settings = settings_of(season)
    learned = bench_minutes(season, settings)
    assert 4.0 < learned.of_all.queen < 14.0
    assert learned.of(bench.by.pk).queen > learned.of_all.queen
    assert learned.of(None) == learned.of_all
    days = [bench.session.day + dt.timedelta(days=n) for n in (3, 5)]
    bench_place = bench.session.bench
    BenchSessionFactory(season=season, bench=bench_place, day=days[0], operator=None)
    BenchSessionFactory(season=season, bench=bench_place, day=days[1], operator=bench.by)
    problem = problem_of(season, now=NOW)
    assert problem.rules.queen_minutes == round(learned.of_all.queen)
    minutes = {day.day: day.op_minutes for day in problem.benches[0].days if day.max_queens}
    assert minutes[5] < minutes[3]
