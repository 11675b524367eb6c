"""The sources that requests are weighed by serve again while nothing changes, and follow whatever does."""

import datetime as dt
from collections.abc import Callable

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from accounts.models import Apiary, Cooperative
from scheduling.models import DroneCohort, DroneCount, DroneSource, DroneTally, LotPart, Season
from scheduling.queries.drones import safe_drones_on
from scheduling.queries.season import settings_of
from scheduling.queries.sources import SourceView, source_views
from scheduling.queries.sources_at_hand import sources_at_hand, sources_forget
from scheduling.queries.supply import reserve_of
from tests.factories import NOW, ApiaryFactory, BenchFactory, DroneCountFactory, DroneSourceFactory, QueenFactory
from tests.scheduling.plan_world import PlanWorld
from tests.scheduling.test_supply import lot_of

pytestmark = pytest.mark.django_db
TODAY = dt.date(2026, 6, 9)


@pytest.fixture
def world() -> PlanWorld:
    sources_forget()
    world = PlanWorld()
    DroneSource.objects.filter(pk=world.source.pk).update(apiary=ApiaryFactory(member=world.source.member))
    lot_of(world.sessions[0], world.source, usable=30, none=20, soiled=5, tenths=300, ages=(15, 18))
    pool = lot_of(world.sessions[0], None, usable=8, none=4, tenths=80)
    LotPart.objects.create(lot=pool, source=world.source, drones=6)
    LotPart.objects.create(lot=pool, source=DroneSourceFactory(season=world.season), drones=6)
    return world


def seen(view: SourceView) -> object:
    """All that a request is weighed by."""
    return (
        [(field.name, getattr(view.source, field.attname)) for field in DroneSource._meta.concrete_fields],
        [(cohort.events, cohort.calendar, cohort.state, dict(cohort.taken)) for cohort in view.cohorts],
        [cohort.count and (cohort.count.kind, cohort.count.number) for cohort in view.cohorts],
        [view.comes_to(bench) for bench in range(9)],
        reserve_of(view),
        safe_drones_on(view, dt.date(2026, 6, 12)),
    )


def at_hand(world: PlanWorld) -> dict[int, object]:
    season = Season.objects.select_related("cooperative").get(pk=world.season.pk)
    views = sources_at_hand(season, today=TODAY, settings=settings_of(season))
    return {pk: seen(view) for pk, view in views.items()}


def read_anew(world: PlanWorld) -> dict[int, object]:
    views = source_views(world.season.sources.order_by("pk"), season=world.season, today=TODAY)
    return {view.source.pk: seen(view) for view in views}


CHANGES: dict[str, Callable[[PlanWorld], object]] = {
    "on hold": lambda w: DroneSource.objects.filter(pk=w.source.pk).update(hold_since=TODAY, hold_reason="Mites."),
    "withdrawn": lambda w: DroneSource.objects.filter(pk=w.source.pk).update(withdrawn_at=NOW),
    "a figure of its own": lambda w: DroneSource.objects.filter(pk=w.source.pk).update(daily_survival="0.9"),
    "another queen": lambda w: DroneSource.objects.filter(pk=w.source.pk).update(drone_queen=QueenFactory()),
    "another source": lambda w: DroneSourceFactory(season=w.season),
    "a bench": lambda w: w.source.benches.add(BenchFactory(cooperative=w.season.cooperative)),
    "a comb": lambda w: DroneCohort.objects.filter(source=w.source).update(comb_in_on=dt.date(2026, 5, 1)),
    "a comb ended": lambda w: DroneCohort.objects.filter(source=w.source).update(ended_on=TODAY),
    "another count": lambda w: DroneCountFactory(cohort=w.source.cohorts.get(), kind="seen"),
    "a count put right": lambda w: DroneCount.objects.filter(cohort__source=w.source).update(number=20),
    "a tap": lambda w: DroneTally.objects.create(lot=w.source.lots.get(), outcome="usable", drones=9, at=NOW),
    "a tap taken back": lambda w: DroneTally.objects.filter(outcome="soiled").update(undone_at=NOW),
    "a part of a pool taken back": lambda w: LotPart.objects.filter(source=w.source).update(undone_at=NOW),
    "where it stands": lambda w: Apiary.objects.filter(drone_sources=w.source).update(time_zone="Asia/Tokyo"),
    "where the cooperative is": lambda w: Cooperative.objects.filter(seasons=w.season).update(time_zone="Asia/Tokyo"),
    "a setting": lambda w: w.season.settings.filter(key="drone_daily_survival").update(value="0.94"),
}


@pytest.mark.parametrize("change", CHANGES.values(), ids=CHANGES)
def test_sources_follow_every_change(world: PlanWorld, change: Callable[[PlanWorld], object]) -> None:
    before = at_hand(world)
    change(world)
    after = at_hand(world)
    world.season = Season.objects.get(pk=world.season.pk)
    assert after == read_anew(world)
    assert after != before or change is CHANGES["where the cooperative is"]


def test_while_nothing_changes_the_same_views_serve_again(world: PlanWorld) -> None:
    settings = settings_of(world.season)
    first = sources_at_hand(world.season, today=TODAY, settings=settings)
    with CaptureQueriesContext(connection) as asked:
        assert sources_at_hand(world.season, today=TODAY, settings=settings) is first
    assert len(asked) == 5
    assert sources_at_hand(world.season, today=TODAY + dt.timedelta(days=1), settings=settings) is not first


def test_what_changes_while_it_is_read_is_not_kept(world: PlanWorld, monkeypatch: pytest.MonkeyPatch) -> None:
    """A hold that stood only while the views were made, and was lifted, must not come back with the rows of before."""
    from scheduling.queries import sources_at_hand as module

    def held(_season: Season) -> None:
        DroneSource.objects.filter(pk=world.source.pk).update(hold_since=TODAY, hold_reason="Mites.")

    def meanwhile(*args: object, **more: object) -> list[SourceView]:
        held(world.season)
        return source_views(*args, **more)  # type: ignore[arg-type]

    with monkeypatch.context() as patch:
        patch.setattr(module, "source_views", meanwhile)
        settings = settings_of(world.season)
        caught = sources_at_hand(world.season, today=TODAY, settings=settings)
    assert caught[world.source.pk].state == "on_hold"
    DroneSource.objects.filter(pk=world.source.pk).update(hold_since=None, hold_reason="")
    assert sources_at_hand(world.season, today=TODAY, settings=settings)[world.source.pk].state == "offered"
