"""Every place a queen could have: the problem as numbered sessions, slots, columns and stock rows.

Age windows, closed days, inbreeding and unripe drones never become constraints: they remove columns here.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import combinations, pairwise

from .problem import BenchDay, Booking, Problem, Source

#: Up to so many cohorts whose windows lie inside one another, every set of them gets its own stock row.
_MOST_NESTED = 10


@dataclass(frozen=True, slots=True)
class Session:
    """A bench on a day with insemination. ``queens`` is the most that fit with one source open. [queens]"""

    bench: str
    day: int
    limits: BenchDay
    queens: int


@dataclass(frozen=True, slots=True)
class StockRow:
    """Hall's condition: what is taken on days that only these cohorts can serve is at most their stock."""

    days: frozenset[int]
    stock: int


@dataclass(frozen=True, slots=True)
class Slot:
    """A source that could be opened in a session, with the most semen it could give there. [ul10]"""

    source: int
    session: int
    most_ul10: int


@dataclass(frozen=True, slots=True)
class PoolGroup:
    """Bookings that may share a pool because they accept the same sources by the same rules.

    ``least_parts`` is the number of parts that minimum and cap together force; ``counted`` tells that the cap
    alone does not force it.
    """

    name: str
    sources: tuple[int, ...]
    min_sources: int
    part_cap_permille: int
    bookings: tuple[int, ...]

    @property
    def least_parts(self) -> int:
        return max(self.min_sources, -(-1000 // self.part_cap_permille))

    @property
    def counted(self) -> bool:
        return self.min_sources > -(-1000 // self.part_cap_permille)


@dataclass(slots=True)
class Grid:
    """The problem numbered. Lists are in the order of the ids, so the input's order does not matter.

    Parameters
    ----------
    direct : list of (booking, slot)
        Columns of bookings that take single sources.
    pooled : list of (booking, group, session)
        Columns of bookings that take pools.
    parts : list of (group, slot)
        What a pool could be mixed from.
    made : list of (group, session)
        Pools that could be made.
    """

    problem: Problem
    sources: list[Source]
    bookings: list[Booking]
    members: list[str]
    sessions: list[Session] = field(default_factory=list)
    session_at: dict[tuple[str, int], int] = field(default_factory=dict)
    capacity: dict[str, dict[int, int]] = field(default_factory=dict)
    stock_rows: list[list[StockRow]] = field(default_factory=list)
    slots: list[Slot] = field(default_factory=list)
    slot_at: dict[tuple[int, int], int] = field(default_factory=dict)
    groups: list[PoolGroup] = field(default_factory=list)
    direct: list[tuple[int, int]] = field(default_factory=list)
    pooled: list[tuple[int, int, int]] = field(default_factory=list)
    parts: list[tuple[int, int]] = field(default_factory=list)
    made: list[tuple[int, int]] = field(default_factory=list)
    member_of: list[int] = field(default_factory=list)

    def stock_on(self, source: int, day: int) -> int:
        """Return the most that can be taken of a source on one day, nothing else being taken. [10^-6 eq]"""
        cohorts = self.sources[source].cohorts
        return 1000 * sum(c.stock_eq for c in cohorts if c.first_day <= day <= c.last_day)

    def co2_before(self, booking: int, bench: str, day: int) -> bool:
        """Tell whether the booking's queens may have their other CO2 treatment on the day before."""
        age = day - 1 - self.bookings[booking].emerge
        return age >= self.problem.rules.co2_first_age and self.capacity[bench].get(day - 1, 0) > 0

    def co2_possible(self, booking: int, bench: str, day: int) -> bool:
        return self.co2_before(booking, bench, day) or self.capacity[bench].get(day + 1, 0) > 0

    def served_members(self) -> list[int]:
        """Return the members with at least one possible place."""
        bookings = {b for b, _ in self.direct} | {b for b, _, _ in self.pooled}
        return sorted({self.member_of[b] for b in bookings})


def grid_of(problem: Problem) -> Grid:
    """Number the problem and list every column that can be.

    Parameters
    ----------
    problem : Problem

    Returns
    -------
    Grid
        Cost grows with bookings times days of their windows times accepted sources.
    """
    grid = Grid(
        problem,
        sorted(problem.sources, key=lambda source: source.id),
        sorted(problem.bookings, key=lambda booking: booking.id),
        sorted(member.id for member in problem.members),
    )
    number = {member: position for position, member in enumerate(grid.members)}
    grid.member_of = [number[booking.member] for booking in grid.bookings]
    _sessions(grid)
    grid.stock_rows = [_stock_rows(source) for source in grid.sources]
    _slots(grid)
    _groups(grid)
    _columns(grid)
    _tighten(grid)
    return grid


def usable_sources(booking: Booking) -> list[str]:
    """Return the accepted sources that are not excluded."""
    excluded = {entry.id for entry in booking.excluded}
    return sorted(entry.id for entry in booking.sources if entry.id not in excluded)


def most_queens(minutes: int, setups: int, limits: BenchDay, problem: Problem) -> int:
    """Return how many queens fit into operator minutes and places with so many setups. [queens]"""
    left = minutes - setups * problem.rules.setup_minutes
    if left < 0:
        return 0
    each = problem.rules.queen_minutes
    return min(limits.max_queens, left // each) if each else limits.max_queens


def _sessions(grid: Grid) -> None:
    for bench in sorted(grid.problem.benches, key=lambda bench: bench.id):
        grid.capacity[bench.id] = {day.day: day.co2_capacity for day in bench.days}
        for day in sorted(bench.days, key=lambda day: day.day):
            queens = most_queens(day.op_minutes, 1, day, grid.problem) if day.op_minutes else 0
            if queens:
                grid.session_at[bench.id, day.day] = len(grid.sessions)
                grid.sessions.append(Session(bench.id, day.day, day, queens))


def _stock_rows(source: Source) -> list[StockRow]:
    """Return Hall's rows of a source: runs of cohorts, or all sets where windows lie inside one another."""
    cohorts = sorted(source.cohorts, key=lambda c: (c.last_day, c.first_day))
    nested = any(b.first_day < a.first_day for a, b in pairwise(cohorts))
    size = len(cohorts)
    if nested and size <= _MOST_NESTED:
        sets = [set(some) for n in range(1, size + 1) for some in combinations(range(size), n)]
    else:
        sets = [set(range(low, high)) for low in range(size) for high in range(low + 1, size + 1)]
    days = {day for c in cohorts for day in range(c.first_day, c.last_day + 1)}
    able = {d: {i for i, c in enumerate(cohorts) if c.first_day <= d <= c.last_day} for d in days}
    rows: dict[frozenset[int], int] = {}
    for chosen in sets:
        only = frozenset(day for day in days if able[day] <= chosen)
        if only:
            stock = 1000 * sum(cohorts[i].stock_eq for i in chosen)
            rows[only] = min(stock, rows.get(only, stock))
    return [StockRow(only, stock) for only, stock in sorted(rows.items(), key=lambda row: sorted(row[0]))]


def _slots(grid: Grid) -> None:
    """Open a slot wherever the drones are ripe, may be brought, and a little semen could be taken."""
    weights = grid.problem.weights
    for s, source in enumerate(grid.sources):
        for j, session in enumerate(grid.sessions):
            if session.bench not in source.benches:
                continue
            drones = min(
                1000 * session.limits.collect_drones,
                grid.stock_on(s, session.day) // weights[session.day],
            )
            room = drones - source.md_fixed
            if room < max(1, source.md_per_ul10):
                continue
            most = room // source.md_per_ul10 if source.md_per_ul10 else 10**9
            grid.slot_at[s, j] = len(grid.slots)
            grid.slots.append(Slot(s, j, most))


def _groups(grid: Grid) -> None:
    number = {source.id: s for s, source in enumerate(grid.sources)}
    found: dict[tuple[str, bool, tuple[int, ...], int, int], list[int]] = {}
    for b, booking in enumerate(grid.bookings):
        if booking.mode != "pool":
            continue
        usable = tuple(sorted(number[source] for source in usable_sources(booking)))
        named = booking.pool is not None
        key = (booking.pool or booking.id, named, usable, booking.min_sources, booking.part_cap_permille)
        found.setdefault(key, []).append(b)
    for (name, _, usable, least, cap), bookings in sorted(found.items()):
        grid.groups.append(PoolGroup(name, usable, least, cap, tuple(bookings)))


def _columns(grid: Grid) -> None:
    number = {source.id: s for s, source in enumerate(grid.sources)}
    group_of = {b: g for g, group in enumerate(grid.groups) for b in group.bookings}
    made: set[tuple[int, int]] = set()
    for b, booking in enumerate(grid.bookings):
        usable = [number[source] for source in usable_sources(booking)]
        for bench in sorted(booking.benches):
            for day in range(max(0, booking.first_day), min(grid.problem.days - 1, booking.last_day) + 1):
                j = grid.session_at.get((bench, day))
                if j is None or not grid.co2_possible(b, bench, day):
                    continue
                if booking.mode == "pool":
                    g = group_of[b]
                    if _pool_fits(grid, grid.groups[g], j, booking.ul10):
                        grid.pooled.append((b, g, j))
                        made.add((g, j))
                    continue
                for s in usable:
                    k = grid.slot_at.get((s, j))
                    if k is not None and grid.slots[k].most_ul10 >= booking.ul10:
                        grid.direct.append((b, k))
    grid.made = sorted(made)
    for g, j in grid.made:
        grid.parts += [(g, grid.slot_at[s, j]) for s in grid.groups[g].sources if (s, j) in grid.slot_at]


def _pool_fits(grid: Grid, group: PoolGroup, j: int, ul10: int) -> bool:
    """Tell whether a pool for one queen could be made in the session."""
    session = grid.sessions[j]
    slots = [grid.slots[grid.slot_at[s, j]] for s in group.sources if (s, j) in grid.slot_at]
    parts = group.least_parts
    if len(slots) < parts:
        return False
    if not most_queens(session.limits.op_minutes, parts + 1, session.limits, grid.problem):
        return False
    cap = group.part_cap_permille * ul10 / 1000
    if sum(min(cap, slot.most_ul10) for slot in slots) < ul10:
        return False
    sources = [grid.sources[slot.source] for slot in slots]
    least = sum(sorted(source.md_fixed for source in sources)[:parts])
    least += min(source.md_per_ul10 for source in sources) * ul10
    return least <= 1000 * session.limits.collect_drones


def _tighten(grid: Grid) -> None:
    """Bound each slot's volume by the queens that could take it; drop slots nobody could use."""
    demand = [0] * len(grid.slots)
    dose = [0.0] * len(grid.slots)
    for b, k in grid.direct:
        demand[k] += grid.bookings[b].queens * grid.bookings[b].ul10
        dose[k] = max(dose[k], grid.bookings[b].ul10)
    wanted: dict[tuple[int, int], tuple[int, int]] = {}
    for b, g, j in grid.pooled:
        volume, most = wanted.get((g, j), (0, 0))
        booking = grid.bookings[b]
        wanted[g, j] = (volume + booking.queens * booking.ul10, max(most, booking.ul10))
    for g, k in grid.parts:
        cap = grid.groups[g].part_cap_permille / 1000
        volume, most = wanted[g, grid.slots[k].session]
        demand[k] += int(cap * volume) + 1
        dose[k] = max(dose[k], cap * most)
    kept: dict[int, int] = {}
    slots: list[Slot] = []
    for k, slot in enumerate(grid.slots):
        if demand[k]:
            by_queens = int(grid.sessions[slot.session].queens * dose[k]) + 1
            kept[k] = len(slots)
            slots.append(Slot(slot.source, slot.session, min(slot.most_ul10, demand[k], by_queens)))
    grid.slots = slots
    grid.slot_at = {(slot.source, slot.session): k for k, slot in enumerate(slots)}
    grid.direct = [(b, kept[k]) for b, k in grid.direct]
    grid.parts = [(g, kept[k]) for g, k in grid.parts]
