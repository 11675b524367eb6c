"""The plan in force follows its places: what was freed or taken since it was published stands in its rows too."""

import datetime as dt
from collections import defaultdict
from decimal import Decimal

from accounts.models import Person
from scheduling.models import BenchPlace, Placement, PlaceState, Plan, PlanPoolPart, PlanState, SessionState
from scheduling.queries.plan_rows import tenths_of_parts
from scheduling.queries.plans import BookingChange
from scheduling.queries.season import settings_of
from scheduling.queries.sources import source_views
from scheduling.queries.standing import standing_places
from scheduling.queries.supply import reserve_of, worth_on
from scheduling.services.call_reminders import call_reminders
from scheduling.services.drone_calls import drone_calls_write
from scheduling.services.plan_reminders import booking_reminders

_Key = tuple[int, int, int | None, int | None]


def plan_follow_places(plan: Plan, *, now: dt.datetime, by: Person | None, today: dt.date) -> bool:
    """Make placements, pools, drone calls and reminders of a plan in force what its places say.

    Runs inside the caller's transaction, with the season locked. Returns whether placements changed; then the plan
    is *changed since published*, and its next version: sketches begun before cannot be published any more.
    """
    before = _placements(plan)
    places: dict[_Key, list[BenchPlace]] = defaultdict(list)
    for place in standing_places(plan.season).filter(plan=plan, state=PlaceState.HELD):
        places[place.booking_id, place.session_id, place.source_id, place.pool_id].append(place)
    now_held = {key: (len(held), sum(place.co2_before for place in held)) for key, held in places.items()}
    changed = {key: (row.queens, row.co2_before) for key, row in before.items()} != now_held
    if changed:
        _rewrite(plan, before, now_held)
    _scale_pools(plan)
    called = list(plan.drone_calls.select_related("source__member", "session__bench"))
    sources = plan.season.sources.filter(withdrawn_at=None)
    views = {view.source.pk: view for view in source_views(sources, season=plan.season, today=today)}
    drone_calls_write(
        plan,
        {pk: reserve_of(view) for pk, view in views.items()},
        worth=lambda source, day: round(worth_on(views[source], day), 3),  # as finely as a problem tells it
    )
    call_reminders(plan, called, now=now, by=by)
    if changed:
        settings = settings_of(plan.season)
        for change in _changes(before, _placements(plan)):
            booking_reminders(plan, change, settings, now=now, by=by)
            _fewer_left_over(plan, change)
        plan.state, plan.version = PlanState.CHANGED, plan.version + 1
        plan.save(update_fields=["state", "version"])
    return changed


def _placements(plan: Plan) -> dict[_Key, Placement]:
    rows = plan.placements.filter(session__state=SessionState.OPEN).select_related(
        "booking__member", "booking__batch", "session__bench", "source", "pool"
    )
    return {(row.booking_id, row.session_id, row.source_id, row.pool_id): row for row in rows}


def _rewrite(plan: Plan, before: dict[_Key, Placement], held: dict[_Key, tuple[int, int]]) -> None:
    plan.placements.filter(session__state=SessionState.OPEN).delete()
    Placement.objects.bulk_create(
        Placement(
            plan=plan,
            booking_id=booking,
            session_id=session,
            source_id=source,
            pool_id=pool,
            queens=queens,
            co2_before=co2_before,
            co2_after=queens - co2_before,
            frozen=(booking, session, source, pool) in before and before[booking, session, source, pool].frozen,
        )
        for (booking, session, source, pool), (queens, co2_before) in sorted(held.items(), key=str)
    )


def _scale_pools(plan: Plan) -> None:
    """Each pool is as large as its places need, with its recipe kept; one that nobody needs goes."""
    volumes: dict[int, int] = defaultdict(int)
    for place in standing_places(plan.season).filter(plan=plan, pool__isnull=False):
        volumes[place.pool_id or 0] += place.dose_tenths
    for pool in plan.pools.filter(session__state=SessionState.OPEN).prefetch_related("parts"):
        if pool.pk not in volumes:
            pool.delete()
            continue
        parts = list(pool.parts.all())
        whole = sum((part.volume_tenths for part in parts), Decimal(0))
        if abs(whole - volumes[pool.pk]) < Decimal("0.05"):
            continue
        scaled = {part.pk: float(part.volume_tenths * volumes[pool.pk] / whole) for part in parts}
        for part_pk, tenths in tenths_of_parts(scaled).items():
            PlanPoolPart.objects.filter(pk=part_pk).update(volume_tenths=tenths)


def _fewer_left_over(plan: Plan, change: BookingChange) -> None:
    """Queens that got a place since are left over no more; why the others are stays as it was worked out."""
    row = plan.unserved.filter(booking=change.booking).first()
    gained = change.queens_new - sum(placement.queens for placement in change.old)
    if row is None or gained <= 0:
        return
    if gained >= row.queens:
        row.delete()
    else:
        row.queens -= gained
        row.save(update_fields=["queens"])


def _changes(before: dict[_Key, Placement], after: dict[_Key, Placement]) -> list[BookingChange]:
    found: dict[int, BookingChange] = {}
    for rows, name in ((before, "old"), (after, "new")):
        for row in rows.values():
            getattr(found.setdefault(row.booking_id, BookingChange(row.booking)), name).append(row)
    return [change for change in found.values() if change.kind != "kept"]
