"""What stands: the plan that the places given and offered make, whatever the plan's own rows say."""

from collections import defaultdict

from django.db.models import QuerySet

from scheduling.models import BenchPlace, PlaceState, Season, SessionState
from scheduling.planning.moves import co2_of
from scheduling.planning.plan import Part, Plan, Pool
from scheduling.planning.problem import Placement, Problem
from scheduling.queries.plan_rows import first_day_of

STANDING = [PlaceState.HELD, PlaceState.OFFERED]


def standing_places(season: Season) -> QuerySet[BenchPlace]:
    """Places given or offered in sessions that are still open."""
    return BenchPlace.objects.filter(
        session__season=season, session__state=SessionState.OPEN, state__in=STANDING
    ).select_related("session", "pool", "booking")


def standing_plan(season: Season, problem: Problem) -> Plan:
    """The pure plan of all places that stand. Past days and bookings that the problem knows no more are left out."""
    first = first_day_of(problem)
    known = {booking.id: booking for booking in problem.bookings}
    queens: dict[tuple[str, str, int, str | None, str | None], int] = defaultdict(int)
    volumes: dict[str, int] = defaultdict(int)
    rows = {}
    for place in standing_places(season).prefetch_related("pool__parts"):
        day, booking = (place.session.day - first).days, str(place.booking_id)
        if day < 0 or booking not in known:
            continue
        source = str(place.source_id) if place.source_id else None
        pool = place.pool.name if place.pool else None
        queens[booking, str(place.session.bench_id), day, source, pool] += 1
        if place.pool is not None:
            rows[place.pool.name] = (place.pool, str(place.session.bench_id), day)
            volumes[place.pool.name] += known[booking].ul10
    assign = tuple(Placement(b, j, d, n, s, p) for (b, j, d, s, p), n in sorted(queens.items(), key=str))
    pools = []
    for name, (row, bench, day) in sorted(rows.items()):
        parts = list(row.parts.all())
        whole = sum(float(part.volume_tenths) for part in parts)
        scaled = tuple(Part(str(p.source_id), float(p.volume_tenths) * volumes[name] / whole) for p in parts)
        pools.append(Pool(name, bench, day, scaled))
    return Plan(problem.name, assign, tuple(pools), co2_of(problem, assign))
