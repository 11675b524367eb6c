"""What a plan uses, added up exactly for the checker."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, field

from .plan import Plan, Pool
from .problem import BenchDay, Booking, Placement, Problem, Source

#: Volumes are counted in millionths of a tenth of a microlitre, reserves in millionths of a milli-drone.
MICRO = 10**6

Place = tuple[str, int]


@dataclass(slots=True)
class Session:
    """Sums of one session. ``volume`` is by source, pools included. [10^-6 ul10]"""

    queens: int = 0
    volume: dict[str, int] = field(default_factory=dict)
    pools: list[Pool] = field(default_factory=list)
    emerged: list[tuple[int, int]] = field(default_factory=list)


_NOTHING = Session()


class Ledger:
    """Sums of a plan by booking, session, source and day.

    Parameters
    ----------
    problem : Problem
    plan : Plan
        May hold anything: unknown ids are kept apart, not refused.
    """

    def __init__(self, problem: Problem, plan: Plan) -> None:
        self.problem = problem
        self.bookings: dict[str, Booking] = {booking.id: booking for booking in problem.bookings}
        self.sources: dict[str, Source] = {source.id: source for source in problem.sources}
        self.bench_days: dict[Place, BenchDay] = {
            (bench.id, day.day): day for bench in problem.benches for day in bench.days
        }
        self.pools: dict[str, Pool] = {}
        self.double_pools: set[str] = set()
        self.placements: dict[str, list[Placement]] = {}
        self.pool_users: dict[str, list[Placement]] = {}
        self.sessions: dict[Place, Session] = {}
        self.co2: dict[Place, tuple[int, int]] = {}
        for pool in plan.pools:
            self._add_pool(pool)
        for placement in plan.assign:
            self._add_placement(placement)
        for entry in plan.co2:
            before, after = self.co2.get((entry.bench, entry.day), (0, 0))
            self.co2[entry.bench, entry.day] = (before + entry.before, after + entry.after)

    def session(self, place: Place) -> Session:
        return self.sessions.get(place, _NOTHING)

    def parts(self, pool: Pool) -> dict[str, int]:
        """Return the pool's volume by source, without parts of nothing. [10^-6 ul10]"""
        volumes: dict[str, int] = {}
        for part in pool.parts:
            volume = round(part.ul10 * MICRO)
            if volume > 0:
                volumes[part.source] = volumes.get(part.source, 0) + volume
        return volumes

    def reserve(self, source_id: str, volume: int) -> int:
        """Return the drones reserved for a volume in one session. [10^-6 md]"""
        source = self.sources.get(source_id)
        if source is None or volume <= 0:
            return 0
        return source.md_per_ul10 * volume + source.md_fixed * MICRO

    def daily_reserve(self, source_id: str) -> dict[int, int]:
        """Return the drones of a source reserved on each day, over all benches. [10^-6 md]"""
        days: dict[int, int] = {}
        for (_, day), session in self.sessions.items():
            if source_id in session.volume:
                days[day] = days.get(day, 0) + self.reserve(source_id, session.volume[source_id])
        return days

    def source_volumes(self) -> dict[str, int]:
        """Return the volume of each source used, over the whole plan. [10^-6 ul10]"""
        volumes: dict[str, int] = {}
        for session in self.sessions.values():
            for source_id, volume in session.volume.items():
                volumes[source_id] = volumes.get(source_id, 0) + volume
        return volumes

    def old_enough(self, place: Place) -> int:
        """Return how many of the session's queens may have CO2 on the day before."""
        day_before = place[1] - 1
        first_age = self.problem.rules.co2_first_age
        return sum(queens for emerge, queens in self.session(place).emerged if day_before - emerge >= first_age)

    def co2_places(self, benches: Collection[str] | None = None) -> set[Place]:
        """Return the sessions with queens or CO2 entries, all or on some benches."""
        places = set(self.sessions) | set(self.co2)
        return places if benches is None else {place for place in places if place[0] in benches}

    def _add_pool(self, pool: Pool) -> None:
        if pool.id in self.pools:
            self.double_pools.add(pool.id)
        self.pools[pool.id] = pool
        session = self.sessions.setdefault((pool.bench, pool.day), Session())
        session.pools.append(pool)
        for source_id, volume in self.parts(pool).items():
            session.volume[source_id] = session.volume.get(source_id, 0) + volume

    def _add_placement(self, placement: Placement) -> None:
        session = self.sessions.setdefault((placement.bench, placement.day), Session())
        session.queens += placement.queens
        self.placements.setdefault(placement.booking, []).append(placement)
        booking = self.bookings.get(placement.booking)
        if booking is not None:
            session.emerged.append((booking.emerge, placement.queens))
        if placement.pool is not None:
            self.pool_users.setdefault(placement.pool, []).append(placement)
        elif placement.source is not None and booking is not None:
            volume = placement.queens * booking.ul10 * MICRO
            session.volume[placement.source] = session.volume.get(placement.source, 0) + volume
