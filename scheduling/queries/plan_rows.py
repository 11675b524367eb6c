"""Between the rows of a plan and the pure plan of the planner: the same placements, two forms.

Ids of the pure form are primary keys as text; days count from the problem's first day (`meta.first_day`).
"""

import datetime as dt
from collections.abc import Iterable, Mapping
from decimal import Decimal
from itertools import groupby
from operator import itemgetter
from typing import Any, NamedTuple

from django.db.models import QuerySet

from accounts.queries.often import asked_often
from scheduling.models import BenchSession, Placement, Plan, PlanPool, PlanPoolPart, SessionState
from scheduling.planning.plan import Co2, Part, Pool
from scheduling.planning.plan import Plan as PurePlan
from scheduling.planning.problem import Placement as PurePlacement
from scheduling.planning.problem import Problem


def first_day_of(problem: Problem) -> dt.date:
    return dt.date.fromisoformat(str(problem.meta["first_day"]))


def worth_permille(problem: Problem, source_id: int, day: dt.date) -> int:
    """What a drone of the source is worth on a day at its age, in drones as its reserve line knows them. [1/1000]"""
    worths: Any = problem.meta.get("drone_worth_permille", {})
    number = (day - first_day_of(problem)).days
    return int(worths.get(str(source_id), {}).get(str(number), 1000))


class Placed(NamedTuple):
    """A placement as its row says it, with what its session and its mixture say of it."""

    pk: int
    booking_id: int
    session_id: int
    bench_id: int
    day: dt.date
    state: str
    queens: int
    source_id: int | None
    pool: str | None
    co2_before: int
    co2_after: int
    frozen: bool


def placed_rows(plan_id: int) -> list[Placed]:
    """All that a plan places, by the day of their session."""
    return [Placed(*row) for row in _placed(plan_id)]


@asked_often
def _placed(plan: int) -> QuerySet[Placement, Any]:
    rows = Placement.objects.filter(plan=plan).order_by("session__day", "session_id", "pk")
    of_session = [f"session__{name}" for name in ("bench", "day", "state")]
    own = ["pk", "booking", "session", *of_session, "queens", "source", "pool__name"]
    return rows.values_list(*own, "co2_before", "co2_after", "frozen")


@asked_often
def _pool_parts(plan: int) -> QuerySet[PlanPool, Any]:
    pools = PlanPool.objects.filter(plan=plan).order_by("name", "pk", "parts__pk")
    of_session = [f"session__{name}" for name in ("bench", "day", "state")]
    return pools.values_list("pk", "name", *of_session, "parts__source", "parts__volume_tenths")


def pure_plan(plan: Plan, problem: Problem, placed: Iterable[Placed] | None = None) -> PurePlan:
    """The stored plan as the checker and the solver know it; sessions before the problem's first day are past.

    placed : all of the plan's from that day on, where they are read already.
    """
    first = first_day_of(problem)
    rows = placed_rows(plan.pk) if placed is None else placed
    ahead = [row for row in rows if row.day >= first and row.state == SessionState.OPEN]
    co2: dict[tuple[str, int], list[int]] = {}
    for row in ahead:
        counts = co2.setdefault((str(row.bench_id), (row.day - first).days), [0, 0])
        counts[0] += row.co2_before
        counts[1] += row.co2_after
    return PurePlan(
        season=problem.name,
        assign=tuple(placed_pure(row, first) for row in ahead),
        pools=_pools(plan, first),
        co2=tuple(Co2(bench, day, before, after) for (bench, day), (before, after) in sorted(co2.items())),
    )


def _pools(plan: Plan, first: dt.date) -> tuple[Pool, ...]:
    found = []
    for _pk, group in groupby(_pool_parts(plan.pk), key=itemgetter(0)):
        rows = list(group)
        _pool, name, bench, day, state, *_part = rows[0]
        if day >= first and state == SessionState.OPEN:
            parts = tuple(Part(str(row[-2]), float(row[-1])) for row in rows if row[-2] is not None)
            found.append(Pool(id=name, bench=str(bench), day=(day - first).days, parts=parts))
    return tuple(found)


def placed_pure(row: Placed, first: dt.date) -> PurePlacement:
    return PurePlacement(
        booking=str(row.booking_id),
        bench=str(row.bench_id),
        day=(row.day - first).days,
        queens=row.queens,
        source=None if row.source_id is None else str(row.source_id),
        pool=row.pool,
    )


def with_neighbours(placements: QuerySet[Placement]) -> QuerySet[Placement]:
    """With what they are shown by, by the day of their session."""
    related = placements.select_related("session__bench", "booking__batch", "booking__member", "source", "pool")
    return related.order_by("session__day", "session_id", "pk")


def pure_placement(placement: Placement, first: dt.date) -> PurePlacement:
    return PurePlacement(
        booking=str(placement.booking_id),
        bench=str(placement.session.bench_id),
        day=(placement.session.day - first).days,
        queens=placement.queens,
        source=str(placement.source_id) if placement.source_id else None,
        pool=placement.pool.name if placement.pool else None,
    )


def sessions_by_place(plan: Plan, problem: Problem) -> dict[tuple[str, int], BenchSession]:
    """The sessions that the pure plan means by (bench, day)."""
    first = first_day_of(problem)
    sessions = plan.season.sessions.filter(state=SessionState.OPEN, day__gte=first)
    return {(str(session.bench_id), (session.day - first).days): session for session in sessions}


def tenths_of_parts(parts: Mapping[int, float]) -> dict[int, Decimal]:
    """Volumes of a pool's parts as they are kept: hundredths of a tenth of a µl that add up to its whole tenths.

    What rounding leaves goes to the smallest part: the largest may be as large as it may be.
    """
    if not parts:
        return {}
    kept = {source: Decimal(str(round(tenths, 2))) for source, tenths in parts.items()}
    smallest = min(kept, key=lambda source: (kept[source], source))
    kept[smallest] += round(sum(parts.values())) - sum(kept.values())
    return kept


def plan_rows_write(
    plan: Plan, pure: PurePlan, problem: Problem, *, frozen: frozenset[PurePlacement] = frozenset()
) -> None:
    """Replace the plan's rows by the pure plan; past sessions' rows stay. Runs inside the caller's transaction."""
    first = first_day_of(problem)
    sessions = sessions_by_place(plan, problem)
    kept_frozen = {
        (str(p.booking_id), p.session_id, p.source_id)
        for p in plan.placements.filter(frozen=True, session__day__gte=first, session__state=SessionState.OPEN)
    }
    ahead = {"session__day__gte": first, "session__state": SessionState.OPEN}
    plan.placements.filter(**ahead).delete()
    plan.pools.filter(**ahead).delete()
    pools = {}
    for pool in pure.pools:
        row = PlanPool.objects.create(plan=plan, session=sessions[pool.bench, pool.day], name=pool.id)
        PlanPoolPart.objects.bulk_create(
            PlanPoolPart(pool=row, source_id=source, volume_tenths=tenths)
            for source, tenths in tenths_of_parts({int(part.source): part.ul10 for part in pool.parts}).items()
        )
        pools[pool.id] = row
    left_before = {(co2.bench, co2.day): co2.before for co2 in pure.co2}
    emerge = {booking.id: booking.emerge for booking in problem.bookings}
    rows = []
    # The oldest queens of a session take the treatment before: only they may be old enough for it.
    for place in sorted(
        pure.assign, key=lambda p: (p.bench, p.day, emerge.get(p.booking, 0), p.booking, p.source or "")
    ):
        old_enough = place.day - 1 - emerge.get(place.booking, place.day) >= problem.rules.co2_first_age
        before = min(place.queens, left_before.get((place.bench, place.day), 0)) if old_enough else 0
        left_before[place.bench, place.day] = left_before.get((place.bench, place.day), 0) - before
        session = sessions[place.bench, place.day]
        source_id = int(place.source) if place.source else None
        rows.append(
            Placement(
                plan=plan,
                booking_id=int(place.booking),
                session=session,
                source_id=source_id,
                pool=pools[place.pool] if place.pool else None,
                queens=place.queens,
                co2_before=before,
                co2_after=place.queens - before,
                frozen=(place.booking, session.pk, source_id) in kept_frozen or place in frozen,
            )
        )
    Placement.objects.bulk_create(rows)
