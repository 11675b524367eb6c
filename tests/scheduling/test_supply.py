"""What the planner is given of a source: learned yields, drones of running sessions, semen in store."""

import datetime as dt

import pytest
from django.test import Client
from django.urls import reverse

from accounts.models import Role
from scheduling.models import (
    BenchSession,
    DroneCall,
    DroneSource,
    DroneTally,
    LotMovement,
    LotPart,
    LotState,
    SeasonSetting,
    SemenLot,
    SessionState,
)
from scheduling.planning.facts import settings_from
from scheduling.planning.problem import Source
from scheduling.queries.problem import problem_of
from scheduling.queries.season import settings_of
from scheduling.queries.sources import source_views
from scheduling.queries.sources_at_hand import season_learned, source_view
from scheduling.queries.supply import source_yield
from scheduling.services.drone_calls import drone_calls_write
from tests.factories import (
    NOW,
    BenchFactory,
    BenchSessionFactory,
    DroneCohortFactory,
    DroneCountFactory,
    DroneSourceFactory,
    PlanFactory,
    RoleGrantFactory,
    SeasonFactory,
)
from tests.scheduling.plan_world import PlanWorld

pytestmark = pytest.mark.django_db
START = settings_from({})


def lot_of(
    session: BenchSession,
    source: DroneSource | None,
    *,
    tenths: int = 0,
    state: str = LotState.USED_UP,
    ages: tuple[int, int] | None = None,
    **tallies: int,
) -> SemenLot:
    number = SemenLot.objects.filter(session=session).count()
    youngest, oldest = ages or (None, None)
    lot = SemenLot.objects.create(
        session=session,
        source=source,
        label=f"L{number}",
        tip="T1",
        opened_at=NOW,
        state=state,
        drones_from_days=youngest,
        drones_to_days=oldest,
    )
    for outcome, drones in tallies.items():
        DroneTally.objects.create(lot=lot, outcome=outcome, drones=drones, at=NOW)
    if tenths:
        LotMovement.objects.create(lot=lot, kind="collected", volume_tenths=tenths, at=NOW)
    return lot


def known(world: PlanWorld, source: DroneSource | None = None):
    source = source or world.source
    return source_view(source, today=NOW.date(), settings=settings_of(world.season)).learned.of(source)


# -- what the bench teaches -------------------------------------------------------------------------------------------


def test_without_tallies_the_season_s_figures_hold() -> None:
    world = PlanWorld()
    gives = known(world).gives
    assert (gives.usable_fraction, gives.kappa) == (float(START.usable_share), float(START.yield_concentration))
    assert (gives.ul_per_drone, gives.cv_volume) == (float(START.ul_per_drone), pytest.approx(float(START.volume_cv)))
    assert known(world).survival == pytest.approx(0.96)


def test_tallies_and_readings_replace_them_step_by_step() -> None:
    world = PlanWorld()
    for session in world.sessions:
        lot_of(session, world.source, usable=40, none=50, immature=10, tenths=520)
    learned = known(world)
    assert (learned.share.usable, learned.share.tried, learned.sessions) == (80, 200, 2)
    assert 0.4 < learned.share.mean < 0.5 < float(START.usable_share)
    assert 1.1 < learned.volume.ul.mean < 1.3
    assert learned.volume.usable == 80
    [source] = problem_of(world.season, now=NOW).sources
    assert (source.usable_fraction, source.ul_per_drone) == (learned.gives.usable_fraction, learned.gives.ul_per_drone)


def test_a_pool_teaches_what_holds_for_all_and_nothing_of_its_single_sources() -> None:
    world = PlanWorld()
    other = DroneSourceFactory(season=world.season)
    for session in world.sessions:
        lot_of(session, world.source, usable=60, none=40, tenths=600)
    before, unknown = known(world), known(world, other)
    assert unknown.share.tried == 0
    pools: list[DroneSource] = [DroneSourceFactory(season=world.season) for _ in range(4)]
    for number, session in enumerate(world.sessions):
        lot = lot_of(session, None, usable=20, none=80, soiled=25, tenths=100)
        for source in (world.source, *pools[number * 2 : number * 2 + 2]):
            LotPart.objects.create(lot=lot, source=source, drones=50)
    after, taught = known(world), known(world, other)
    assert (after.share.tried, after.sessions) == (before.share.tried, before.sessions)
    assert (after.volume.usable, after.volume.ul.rows) == (before.volume.usable, before.volume.ul.rows)
    assert (taught.share.tried, taught.volume.usable) == (0, 0)
    assert taught.share.mean < unknown.share.mean - 0.05
    assert taught.volume.ul.mean < unknown.volume.ul.mean - 0.05
    assert taught.lost == pytest.approx(50 / (50 + 2 * 100 + 2 * 125))
    # The source that spoke for itself is told by its own drones still.
    assert abs(after.share.mean - before.share.mean) < abs(taught.share.mean - unknown.share.mean) / 2


def test_the_same_sources_put_together_again_are_the_same_pool_and_a_correction_counts() -> None:
    world = PlanWorld()
    other, third = DroneSourceFactory(season=world.season), DroneSourceFactory(season=world.season)
    for session in world.sessions:
        lot = lot_of(session, None, usable=20, none=80)
        LotPart.objects.create(lot=lot, source=world.source, drones=30)
        LotPart.objects.create(lot=lot, source=other, drones=70)
    twice = known(world, third).share.mean
    LotPart.objects.filter(lot=lot, source=other).update(undone_at=NOW)
    LotPart.objects.create(lot=lot, source=third, drones=70)
    assert known(world, third).share.mean < twice, "two pools say more of what holds for all than one seen twice"
    LotPart.objects.filter(lot=lot, source=third).update(undone_at=NOW)
    assert known(world).share.tried == 100, "all drones of one source: its own after all"


def test_drones_soiled_or_broken_say_nothing_about_the_share_but_are_reckoned_with() -> None:
    world = PlanWorld()
    lot_of(world.sessions[0], world.source, usable=60, none=40, soiled=30, broke=20, tenths=600)
    learned = known(world)
    assert (learned.share.usable, learned.share.tried) == (60, 100)
    assert learned.lost == pytest.approx(50 / 200)  # worth of fifty more drones with nothing lost
    assert learned.gives.usable_fraction == pytest.approx(learned.share.mean * 0.75)


def test_taken_back_and_half_filled_lots_teach_nothing() -> None:
    world = PlanWorld()
    lot = lot_of(world.sessions[0], world.source, usable=60, none=40)
    DroneTally.objects.filter(lot=lot).update(undone_at=NOW)
    half = lot_of(world.sessions[0], world.source, usable=30, none=20, tenths=50, state=LotState.OPEN)
    learned = known(world)
    assert learned.share.tried == 0
    assert (learned.volume.usable, learned.volume.ul.mean) == (0, 1.0)
    SemenLot.objects.filter(pk=half.pk).update(state=LotState.USED_UP)
    learned = known(world)
    assert (learned.share.tried, learned.volume.usable) == (50, 30)


def test_a_new_source_is_taught_by_the_others_and_by_the_season_before() -> None:
    world = PlanWorld()
    last = SeasonFactory(
        cooperative=world.season.cooperative, year=2025, starts_on=dt.date(2025, 4, 1), ends_on=dt.date(2025, 8, 31)
    )
    bench = world.sessions[0].bench
    for day in range(1, 9):
        queen = None if day > 1 else world.source.drone_queen
        before = DroneSourceFactory(season=last, **({"drone_queen": queen} if queen else {}))
        session = BenchSessionFactory(
            season=last, bench=bench, day=dt.date(2025, 6, day), state="closed", closed_at=NOW
        )
        lot_of(session, before, usable=30, none=70, tenths=300)
    new = DroneSourceFactory(season=world.season)
    own, taught = known(world), known(world, new)
    assert (own.share.tried, taught.share.tried) == (100, 0)
    assert own.share.mean < taught.share.mean < 0.5
    stranger = PlanWorld()  # another cooperative
    assert known(stranger).share.mean == float(START.usable_share)


def test_recounts_teach_losses_and_drones_tried_are_no_loss() -> None:
    world = PlanWorld(days=(12, 14))
    cohort = world.source.cohorts.get()
    for day, number in ((1, 1000), (11, 600)):
        DroneCountFactory(cohort=cohort, kind="seen", counted_on=dt.date(2026, 6, day), number=number)
    survival = known(world).survival
    assert survival is not None
    assert 0.6**0.1 < survival < 0.96
    assert problem_of(world.season, now=NOW).rules.survival_per_day == pytest.approx(
        season_learned(world.season, settings=settings_of(world.season), today=NOW.date()).common_survival
    )
    session = BenchSessionFactory(season=world.season, bench=world.sessions[0].bench, day=dt.date(2026, 6, 9))
    lot_of(session, world.source, usable=100, none=150)
    spared = known(world).survival
    assert spared is not None
    assert spared > survival


def test_what_now_starts_from_what_was_known_before_the_session() -> None:
    world = PlanWorld()
    first, second = world.sessions
    lot_of(first, world.source, usable=30, none=70, tenths=300)
    settings = settings_of(world.season)
    views = {
        but: season_learned(world.season, settings=settings, today=NOW.date(), but=but).of(world.source)
        for but in (first, second, None)
    }
    assert views[first].share.tried == 0
    assert views[second] == views[None]


def test_the_source_card_and_the_balance_say_how_it_was_learned(client: Client) -> None:
    world = PlanWorld()
    lot_of(world.sessions[0], world.source, usable=60, none=140, tenths=600)
    RoleGrantFactory(person=world.by, cooperative=world.season.cooperative, role=Role.COORDINATOR)
    client.force_login(world.by)
    for page in (reverse("scheduling:source", args=[world.source.pk]), reverse("scheduling:balance")):
        text = client.get(page).content.decode()
        assert "200 drones tried" in text
        assert "Reserve" in text


# -- drones of running sessions ---------------------------------------------------------------------------------------


def test_drones_a_running_session_calls_for_are_not_planned_again() -> None:
    world = PlanWorld(days=(9, 12))
    running, _later = world.sessions
    plan = PlanFactory(season=world.season, state="published", number=1, published_at=NOW)
    DroneCall.objects.create(plan=plan, source=world.source, session=running, drones=100, volume_tenths=500)
    BenchSession.objects.filter(pk=running.pk).update(state=SessionState.CLOSED, closed_at=NOW)
    free = safe_stock(world)
    BenchSession.objects.filter(pk=running.pk).update(state=SessionState.RUNNING)
    called = safe_stock(world)
    assert free - called == pytest.approx(100_000, abs=2)  # day 0: one drone is one equivalent
    # Each drone tried is one called for less: the stock stays as it is while the session goes on.
    lot_of(running, world.source, usable=30, none=30, state=LotState.OPEN)
    SeasonSetting.objects.create(season=world.season, key="usable_share", value="0.6", changed_at=NOW)
    assert safe_stock(world) == pytest.approx(called, abs=2)


def safe_stock(world: PlanWorld) -> int:
    return sum(cohort.stock_eq for cohort in planned(world).cohorts)


def planned(world: PlanWorld) -> Source:
    [source] = problem_of(world.season, now=NOW).sources
    return source


# -- semen in store ---------------------------------------------------------------------------------------------------


def stored(world: PlanWorld, tenths: int = 300) -> SemenLot:
    before = BenchSessionFactory(
        season=world.season, bench=world.sessions[0].bench, day=dt.date(2026, 6, 8), state="closed", closed_at=NOW
    )
    return lot_of(before, world.source, tenths=tenths, state=LotState.STORED)


def test_semen_in_store_is_supply_until_its_limit() -> None:
    world = PlanWorld(days=(12, 14))
    without = planned(world)
    lot = stored(world)
    [*drones, kept] = planned(world).cohorts
    assert drones == list(without.cohorts)
    assert (kept.first_day, kept.last_day) == (3, 5)
    weights = problem_of(world.season, now=NOW).weights
    assert kept.stock_eq == 300 * planned(world).md_per_ul10 * weights[3] // 1000
    SemenLot.objects.filter(pk=lot.pk).update(opened_at=NOW - dt.timedelta(days=38))  # blocked from Sunday on
    assert planned(world).cohorts[-1].last_day == 3
    SemenLot.objects.filter(pk=lot.pk).update(opened_at=NOW - dt.timedelta(days=60))
    assert planned(world).cohorts == without.cohorts
    SemenLot.objects.filter(pk=lot.pk).update(viability_checked_on=NOW.date(), viability_percent=80)
    assert planned(world).cohorts[-1].last_day == 5


def test_semen_in_store_stays_at_its_bench_and_a_source_on_hold_gives_none() -> None:
    world = PlanWorld(days=(12, 14))
    stored(world)
    BenchSessionFactory(
        season=world.season, bench=BenchFactory(cooperative=world.season.cooperative), day=dt.date(2026, 6, 12)
    )
    assert (planned(world).cohorts[-1].first_day, planned(world).cohorts[-1].last_day) == (5, 5)
    DroneSource.objects.filter(pk=world.source.pk).update(hold_since=NOW.date(), hold_reason="Found spots.")
    assert planned(world).cohorts == ()


def test_nobody_brings_drones_for_semen_that_is_in_store() -> None:
    world = PlanWorld(days=(12, 14))
    world.ask("Rowan", queens=4)
    plan = world.publish()
    lines = {world.source.pk: (200, 4000)}
    [call] = plan.drone_calls.all()
    drone_calls_write(plan, lines)
    call.refresh_from_db()
    assert (call.volume_tenths, call.drones) == (320, 68)
    lot = stored(world, tenths=120)
    drone_calls_write(plan, lines)
    call.refresh_from_db()
    assert (call.volume_tenths, call.drones) == (200, 44)
    LotMovement.objects.filter(lot=lot).update(volume_tenths=400)
    drone_calls_write(plan, lines)
    assert not plan.drone_calls.exists()
    SemenLot.objects.filter(pk=lot.pk).update(state=LotState.DISCARDED)
    drone_calls_write(plan, lines)
    assert [(call.volume_tenths, call.drones) for call in plan.drone_calls.all()] == [(320, 68)]


def test_a_share_that_was_set_for_a_source_is_where_it_starts() -> None:
    world = PlanWorld()
    DroneSource.objects.filter(pk=world.source.pk).update(usable_share="0.300", ul_per_drone="0.80")
    world.source.refresh_from_db()
    [view] = source_views(world.season.sources.all(), season=world.season, today=NOW.date())
    gives = source_yield(view)
    assert (gives.usable_fraction, gives.ul_per_drone) == (0.3, 0.8)
    DroneCohortFactory(source=world.source)
