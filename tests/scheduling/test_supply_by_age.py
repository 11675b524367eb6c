"""What is learned of a source's drones by their age, and the forecast that asks at the age they will have."""

import datetime as dt

import pytest
from django.test import Client
from django.urls import reverse

from accounts.models import Role
from scheduling.models import BenchSession, DroneCohort
from scheduling.queries.board import reserve_drones
from scheduling.queries.drones import DroneRoom, safe_drones_on
from scheduling.queries.problem import problem_of
from scheduling.queries.season import settings_of
from scheduling.queries.sources_at_hand import season_learned, source_view
from scheduling.queries.supply import source_yield, worth_on
from scheduling.services.plan_follow import plan_follow_places
from tests.factories import NOW, BenchSessionFactory, DroneCountFactory, RoleGrantFactory
from tests.scheduling.plan_world import PlanWorld
from tests.scheduling.test_supply import lot_of, planned

pytestmark = pytest.mark.django_db


def aged_world() -> PlanWorld:
    """Drones that are 19 to 22 days old on one bench day and 21 to 24 on the other."""
    world = PlanWorld(days=(12, 14))
    cohort = world.source.cohorts.get()
    cohort.counts.all().delete()
    DroneCohort.objects.filter(pk=cohort.pk).update(
        promised_comb_on=None, comb_in_on=None, laid_on=None, capped_on=None, emerged_on=dt.date(2026, 5, 21)
    )
    DroneCountFactory(cohort=cohort, kind="emerged", counted_on=dt.date(2026, 5, 25), number=2000)
    return world


def taught_by_ages(world: PlanWorld) -> None:
    """Old drones gave little before."""
    for day in range(1, 5):
        before = BenchSessionFactory(
            season=world.season, bench=world.sessions[0].bench, day=dt.date(2026, 5, day), state="closed", closed_at=NOW
        )
        lot_of(before, world.source, usable=70, none=30, tenths=770, ages=(18, 21))
        lot_of(before, world.source, usable=30, none=70, tenths=240, ages=(23, 26))


def test_the_forecast_asks_at_the_age_the_drones_will_have() -> None:
    world = aged_world()
    young, old = world.sessions
    view = source_view(world.source, today=NOW.date(), settings=settings_of(world.season))
    assert [view.cohorts[0].calendar.ages_on(session.day) for session in world.sessions] == [(19, 22), (21, 24)]
    assert (worth_on(view, young.day), worth_on(view, old.day)) == (1.0, 1.0)
    taught_by_ages(world)
    view = source_view(world.source, today=NOW.date(), settings=settings_of(world.season))
    worth = {session: worth_on(view, session.day) for session in world.sessions}
    assert worth[old] < 0.8 < 1.1 < worth[young]
    assert source_yield(view, age=24).usable_fraction < source_yield(view).usable_fraction - 0.08
    assert source_yield(view, age=24).ul_per_drone < source_yield(view).ul_per_drone - 0.05
    room = DroneRoom(world.season, [view])
    safe = {session: safe_drones_on(view, session.day) for session in world.sessions}
    asked = {
        session: room.short(session, [view], queens=200, dose_tenths=80, mode="each") + safe[session]
        for session in world.sessions
    }
    assert asked[old] / asked[young] == pytest.approx(worth[young] / worth[old], rel=0.01)


def test_the_plan_counts_a_comb_by_the_worst_of_its_bench_days_and_calls_by_the_day() -> None:
    world = aged_world()
    before = planned(world)
    taught_by_ages(world)
    view = source_view(world.source, today=NOW.date(), settings=settings_of(world.season))
    old = world.sessions[1]
    worth = worth_on(view, old.day)
    [cohort], [earlier] = planned(world).cohorts, before.cohorts
    assert cohort.stock_eq == pytest.approx(earlier.stock_eq * worth, abs=2)
    problem = problem_of(world.season, now=NOW)
    assert reserve_drones(problem, world.source.pk, 800, old.day) > reserve_drones(
        problem, world.source.pk, 800, world.sessions[0].day
    )
    BenchSession.objects.filter(pk=world.sessions[0].pk).update(places=0)
    world.ask("Rowan", queens=4)
    plan = world.publish()
    [call] = plan.drone_calls.all()
    assert call.session == old
    per_tenth, once = planned(world).md_per_ul10, planned(world).md_fixed
    assert call.drones == pytest.approx((per_tenth * 320 + once) / 1000 / worth, abs=1)
    assert call.drones > (per_tenth * 320 + once) / 1000 + 3
    drones = call.drones
    plan_follow_places(plan, now=NOW, by=world.by, today=NOW.date())
    assert [call.drones for call in plan.drone_calls.all()] == [drones]


def test_a_lot_of_drones_far_apart_in_age_teaches_no_age() -> None:
    world = PlanWorld()
    lot_of(world.sessions[0], world.source, usable=40, none=60, tenths=400, ages=(14, 28))
    learned = season_learned(world.season, settings=settings_of(world.season), today=NOW.date())
    assert learned.by_age(world.source) == []
    assert learned.of(world.source, age=25) == learned.of(world.source)


def test_the_source_card_shows_what_drones_of_each_age_give(client: Client) -> None:
    world = PlanWorld()
    RoleGrantFactory(person=world.by, cooperative=world.season.cooperative, role=Role.COORDINATOR)
    client.force_login(world.by)
    address = reverse("scheduling:source", args=[world.source.pk])
    assert "By age of the drones" not in client.get(address).content.decode()
    lot_of(world.sessions[0], world.source, usable=80, none=60, tenths=800, ages=(14, 17))
    lot_of(world.sessions[1], world.source, usable=2, none=5, tenths=15, ages=(23, 26))
    text = client.get(address).content.decode()
    assert "By age of the drones" in text
    by_age = text[text.index("By age of the drones") : text.index("In brackets: 8 of 10")]
    rows = [" ".join(row.split()) for row in by_age.split("<dt>")[1:]]
    assert [row[: row.index("</dt>")] for row in rows] == ["14–17 days", "18–21 days", "22–28 days"]
    assert ["few: mostly" in row for row in rows] == [False, True, True]
    assert [row[row.index('small">') + 7 :].split(" tried")[0] for row in rows] == [
        "140 drones",
        "0 drones",
        "7 drones",
    ]
