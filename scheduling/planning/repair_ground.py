"""A published plan on new facts: its placements as columns, and a state that knows what each of them was.

Pools of a published plan have real parts, so volumes and drones are counted here in millionths, as the checker
counts them. The checker forgives a hundredth of a drone; a thousandth of that room is used for parts that were
rounded when they were written.
"""

from __future__ import annotations

import copy
from collections.abc import Iterator
from dataclasses import dataclass, field, replace

from .baseline import columns_by_booking
from .grid import Grid, grid_of
from .ledger import MICRO
from .moves import co2_of
from .plan import Part, Plan, Pool
from .problem import Placement, Problem
from .rows import PlaceKey, place_key
from .state import Mix, State

#: Room for rounded parts. [10^-6 drones], [10^-6 of 1/1000 emergence equivalent]
_SLACK_DRONES, _SLACK_STOCK = MICRO // 200, MICRO
#: A pool whose parts miss its need by more than this is mixed anew. [10^-6 ul10]
_ROUNDING = MICRO // 2

Shared = tuple[int, int]


class KeptState(State):
    """A state that takes a pool as it was mixed, and can be copied."""

    def add_mix(self, g: int, j: int, mix: Mix) -> bool:
        """Put a pool in with the parts it has; return whether it fits. Nothing changes when it does not."""
        grid = self.grid
        count = sum(mix.queens.values())
        asked = [(grid.pooled[i][0], n) for i, n in mix.queens.items()]
        session = grid.sessions[j]
        old = sum(n for b, n in asked if grid.co2_before(b, session.bench, session.day))
        opened = sum(not self.volume[k] for k in mix.parts)
        fits = (
            (g, j) not in self.pools
            and all(n <= self.left[b] for b, n in asked)
            and count <= self.places[j]
            and self.setup * (opened + 1) + self.each * count <= self.minutes[j]
            and all(volume <= self._volume_room(k) for k, volume in mix.parts.items())
            and self._drones(mix) <= self.drones[j]
            and self._co2_after(j, self.queens[j] + count, self.old[j] + old) is not None
        )
        if fits:
            self._mix(g, j, mix)
            for b, n in asked:
                self._seat(b, j, n)
        return fits

    def take_pooled(self, i: int) -> None:
        """Take one queen out of a pooled column."""
        _, g, j = self.grid.pooled[i]
        self._pool_less(g, j, i)

    def copied(self) -> KeptState:
        other = copy.copy(self)
        other.take_over(self)
        return other

    def take_over(self, other: KeptState) -> None:
        """Become as another state of the same grid is now."""
        for name in ("limit", "left", "minutes", "places", "drones", "volume", "taken", "queens", "old", "before"):
            setattr(self, name, list(getattr(other, name)))
        self.stock = [list(rows) for rows in other.stock]
        self.x = dict(other.x)
        self.pools = {key: Mix(dict(mix.queens), dict(mix.parts)) for key, mix in other.pools.items()}
        self.batch_source = dict(other.batch_source)

    def _drones(self, mix: Mix) -> int:
        total = 0
        for k, volume in mix.parts.items():
            source = self.grid.sources[self.grid.slots[k].source]
            total += source.md_per_ul10 * volume + (0 if self.volume[k] else source.md_fixed)
        return total


@dataclass(slots=True)
class Ground:
    """The new facts numbered, with what was published on them.

    Parameters
    ----------
    published : dict of column to queens
        Direct columns that members were told. Placements that no column stands for any more are in `gone`.
    pooled : dict of (group, session) to Mix
        Pools that members were told, with their parts as they were.
    gone : int
        Published queens whose place no longer exists at all. [queens]
    fewer : int
        Published queens that are not asked for any more: they lose nothing. [queens]
    volume : int
        Semen of the published plan on today's doses. [10^-6 ul10]
    held : dict of column to queens
        Frozen queens of direct columns; those of pooled columns are in `held_pooled`.
    """

    problem: Problem
    grid: Grid
    direct_of: list[list[int]]
    pooled_of: list[list[int]]
    in_session: list[list[int]]
    of_source: list[list[int]]
    published: dict[int, int] = field(default_factory=dict)
    published_pooled: dict[int, int] = field(default_factory=dict)
    pooled: dict[Shared, Mix] = field(default_factory=dict)
    names: dict[Shared, str] = field(default_factory=dict)
    gone: int = 0
    fewer: int = 0
    volume: int = 0
    held: dict[int, int] = field(default_factory=dict)
    held_pooled: dict[int, int] = field(default_factory=dict)

    @property
    def told(self) -> int:
        """Queens in the published plan that still want a place. [queens]"""
        return self.gone + sum(self.published.values()) + sum(self.published_pooled.values()) - self.fewer

    def moved(self, state: State) -> int:
        """Return how many published queens are not where they were. [queens]"""
        lost = sum(max(0, n - state.x.get(i, 0)) for i, n in self.published.items())
        now = pooled_queens(state)
        return self.gone - self.fewer + lost + sum(max(0, n - now.get(i, 0)) for i, n in self.published_pooled.items())

    def limits(self, state: State, more: int = 0) -> list[int]:
        """Return the most semen of each source that the share cap allows, with so much semen more in the plan."""
        total = sum(state.taken) + more
        caps = (self.grid.problem.share_cap(source) for source in self.grid.sources)
        return [cap * total // 1000 if cap < 1000 else 10**30 for cap in caps]

    def shares_held(self, state: State) -> bool:
        return all(taken <= most for taken, most in zip(state.taken, self.limits(state), strict=True))

    def served_by_member(self, state: State) -> list[int]:
        served = [0] * len(self.grid.members)
        for b, booking in enumerate(self.grid.bookings):
            served[self.grid.member_of[b]] += booking.queens - state.left[b]
        return served

    def asked_by_member(self) -> list[int]:
        asked = [0] * len(self.grid.members)
        for b, booking in enumerate(self.grid.bookings):
            asked[self.grid.member_of[b]] += booking.queens
        return asked

    def plan_of(self, state: State) -> Plan:
        """Return the plan of a state, pools named as they were published."""
        grid = self.grid
        assign = []
        for i, n in state.x.items():
            b, k = grid.direct[i]
            session, source = grid.sessions[grid.slots[k].session], grid.sources[grid.slots[k].source]
            assign.append(Placement(grid.bookings[b].id, session.bench, session.day, n, source=source.id))
        names = self._pool_names(state)
        pools = []
        for (g, j), mix in state.pools.items():
            session = grid.sessions[j]
            for i, n in mix.queens.items():
                booking = grid.bookings[grid.pooled[i][0]]
                assign.append(Placement(booking.id, session.bench, session.day, n, pool=names[g, j]))
            parts = sorted((grid.sources[grid.slots[k].source].id, volume) for k, volume in mix.parts.items() if volume)
            shown = tuple(Part(source, _ul10(volume)) for source, volume in parts)
            pools.append(Pool(names[g, j], session.bench, session.day, shown))
        assign.sort(key=lambda a: (a.day, a.bench, a.booking, a.source or "", a.pool or ""))
        pools.sort(key=lambda pool: (pool.day, pool.bench, pool.id))
        return Plan(self.problem.name, tuple(assign), tuple(pools), co2_of(self.problem, assign))

    def _pool_names(self, state: State) -> dict[Shared, str]:
        names: dict[Shared, str] = {}
        taken: set[str] = set()
        for place in sorted(state.pools, key=lambda place: (place not in self.names, place)):
            session = self.grid.sessions[place[1]]
            name = self.names.get(place, f"{self.grid.groups[place[0]].name}@{session.bench}@{session.day}")
            unique, n = name, 1
            while unique in taken:
                n += 1
                unique = f"{name}/{n}"
            taken.add(unique)
            names[place] = unique
        return names


def ground_of(problem: Problem, plan: Plan) -> Ground:
    """Number the new facts and find the published placements on them."""
    grid = grid_of(_in_millionths(problem))
    direct_of, pooled_of = columns_by_booking(grid)
    in_session: list[list[int]] = [[] for _ in grid.sessions]
    of_source: list[list[int]] = [[] for _ in grid.sources]
    for i, (_, k) in enumerate(grid.direct):
        in_session[grid.slots[k].session].append(i)
        of_source[grid.slots[k].source].append(i)
    ground = Ground(problem, grid, direct_of, pooled_of, in_session, of_source)
    direct, pooled = _columns_by_place(grid)
    pools = {pool.id: pool for pool in plan.pools}
    dose = {booking.id: booking.ul10 for booking in grid.bookings}
    asked = {booking.id: booking.queens for booking in grid.bookings}
    told: dict[str, int] = {}
    for placement in plan.assign:
        told[placement.booking] = told.get(placement.booking, 0) + placement.queens
    ground.fewer = sum(max(0, n - asked.get(booking, 0)) for booking, n in told.items())
    for placement in plan.assign:
        key = place_key(placement)
        ground.volume += placement.queens * dose.get(placement.booking, 0)
        if placement.source is not None and key in direct:
            ground.published[direct[key]] = ground.published.get(direct[key], 0) + placement.queens
        elif placement.pool is not None and key in pooled:
            i = pooled[key]
            ground.published_pooled[i] = ground.published_pooled.get(i, 0) + placement.queens
            _, g, j = grid.pooled[i]
            mix = ground.pooled.setdefault((g, j), Mix())
            mix.queens[i] = mix.queens.get(i, 0) + placement.queens
        else:
            ground.gone += placement.queens
    _add_parts(ground, plan, pools, pooled)
    for placement in problem.frozen:
        key = place_key(placement)
        if placement.source is not None and key in direct:
            ground.held[direct[key]] = max(placement.queens, ground.held.get(direct[key], 0))
        elif placement.source is None and key in pooled:
            ground.held_pooled[pooled[key]] = max(placement.queens, ground.held_pooled.get(pooled[key], 0))
    return ground


def pooled_queens(state: State) -> dict[int, int]:
    """Return the queens of each pooled column. [queens]"""
    return {i: n for mix in state.pools.values() for i, n in mix.queens.items()}


def _in_millionths(problem: Problem) -> Problem:
    sources = tuple(
        replace(
            source,
            md_fixed=source.md_fixed * MICRO,
            cohorts=tuple(
                replace(cohort, stock_eq=cohort.stock_eq * MICRO + (_SLACK_STOCK if cohort.stock_eq else 0))
                for cohort in source.cohorts
            ),
        )
        for source in problem.sources
    )
    benches = tuple(
        replace(
            bench,
            days=tuple(
                replace(day, collect_drones=day.collect_drones * MICRO + (_SLACK_DRONES if day.collect_drones else 0))
                for day in bench.days
            ),
        )
        for bench in problem.benches
    )
    bookings = tuple(replace(booking, ul10=booking.ul10 * MICRO) for booking in problem.bookings)
    rules = replace(problem.rules, min_source_ul10=problem.rules.min_source_ul10 * MICRO)
    return replace(problem, rules=rules, benches=benches, sources=sources, bookings=bookings)


def _columns_by_place(grid: Grid) -> tuple[dict[PlaceKey, int], dict[PlaceKey, int]]:
    direct: dict[PlaceKey, int] = {}
    for i, (b, k) in enumerate(grid.direct):
        session, source = grid.sessions[grid.slots[k].session], grid.sources[grid.slots[k].source]
        direct[grid.bookings[b].id, session.bench, session.day, source.id] = i
    pooled: dict[PlaceKey, int] = {}
    for i, (b, _, j) in enumerate(grid.pooled):
        pooled[grid.bookings[b].id, grid.sessions[j].bench, grid.sessions[j].day, None] = i
    return direct, pooled


def _add_parts(ground: Ground, plan: Plan, pools: dict[str, Pool], pooled: dict[PlaceKey, int]) -> None:
    """Give each published pool the parts it was mixed of, as far as they can still be; else it is mixed anew."""
    grid = ground.grid
    number = {source.id: s for s, source in enumerate(grid.sources)}
    used: dict[Shared, set[str]] = {}
    for placement in plan.assign:
        i = pooled.get(place_key(placement))
        if placement.pool in pools and i is not None:
            used.setdefault(grid.pooled[i][1:], set()).add(placement.pool or "")
    for place, ids in sorted(used.items()):
        g, j = place
        ground.names[place] = min(ids)
        parts: dict[int, int] = {}
        for part in _all_parts(pools, ids):
            k = grid.slot_at.get((number.get(part.source, -1), j), -1)
            parts[k] = parts.get(k, 0) + round(part.ul10 * MICRO)
        mix = ground.pooled[place]
        need = sum(n * grid.bookings[grid.pooled[i][0]].ul10 for i, n in mix.queens.items())
        group = grid.groups[g]
        rest = need - sum(parts.values())
        right = -1 not in parts and len(parts) >= group.min_sources and abs(rest) <= _ROUNDING
        if right and all(grid.slots[k].source in group.sources for k in parts):
            # What rounding left over goes to the smallest part, which is furthest from its cap.
            parts[min(parts, key=lambda k: (parts[k], k))] += rest
            cap = group.part_cap_permille * need // 1000
            if all(0 < volume <= cap + MICRO // 200 for volume in parts.values()):
                mix.parts = parts


def _all_parts(pools: dict[str, Pool], ids: set[str]) -> Iterator[Part]:
    for name in sorted(ids):
        yield from pools[name].parts


def _ul10(volume: int) -> float:
    return volume // MICRO if volume % MICRO == 0 else volume / MICRO
