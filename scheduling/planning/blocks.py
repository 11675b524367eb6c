"""What stands in the way of more queens at one place, everybody else staying where the plan has them.

Whole numbers throughout, as in the checker: what is named here is exactly what has to be given.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from itertools import count

from .co2 import co2_rounds
from .ledger import MICRO, Ledger
from .moves import co2_of
from .plan import Part, Plan, Pool
from .problem import BenchDay, Booking, Placement, Problem, Source


@dataclass(frozen=True, slots=True)
class Block:
    """One thing that is short at a place, and how much of it would do.

    Parameters
    ----------
    key : str
        One of the keys of `reasons.REASONS`.
    missing : int
        Minutes, queens (``places``, ``co2``), drones (``collect``, ``stock``), thousandths of all semen
        (``share``) or other sources (``one_source``).
    """

    key: str
    bench: str
    day: int
    source: str | None
    missing: int


@dataclass(frozen=True, slots=True)
class Place:
    """Where more queens of a booking could go: a session, and the drones they would get.

    Parameters
    ----------
    parts : mapping of source id to int
        Share of each source in a queen's dose; the shares add up to ``whole``. One source has it all.
    pool : str, optional
        The pool that is joined; empty for one made anew, None for a single source.
    """

    bench: str
    day: int
    parts: Mapping[str, int]
    whole: int = 1
    pool: str | None = None

    @property
    def source(self) -> str | None:
        return next(iter(self.parts)) if self.pool is None else None


class Room:
    """What a plan leaves free, place by place.

    Parameters
    ----------
    problem : Problem
    plan : Plan
        A valid plan.
    """

    def __init__(self, problem: Problem, plan: Plan) -> None:
        self.problem = problem
        self.plan = plan
        self.ledger = Ledger(problem, plan)
        self.volumes = self.ledger.source_volumes()
        self.total = sum(self.volumes.values())
        self._cohorts = {
            source.id: sorted(source.cohorts, key=lambda cohort: (cohort.last_day, cohort.first_day))
            for source in problem.sources
        }
        self._daily = {source.id: self.ledger.daily_reserve(source.id) for source in problem.sources}
        self._reserved: dict[tuple[str, int], int] = {}
        self._ripe: dict[tuple[str, str, int], bool] = {}
        self._co2_known: dict[tuple[str, int, bool, int], int] = {}
        self._capacity = {bench.id: {day.day: day.co2_capacity for day in bench.days} for bench in problem.benches}
        self._seated: dict[str, tuple[dict[int, int], dict[int, int]]] = {}

    def open_days(self, booking: Booking) -> list[tuple[str, int]]:
        """Return the sessions with inseminations within the booking's window and benches, by day."""
        first, last = max(0, booking.first_day), min(self.problem.days - 1, booking.last_day)
        days = ((bench, day) for day in range(first, last + 1) for bench in booking.benches)
        return [place for place in days if self.inseminates(*place)]

    def inseminates(self, bench: str, day: int) -> bool:
        limits = self.ledger.bench_days.get((bench, day))
        return limits is not None and limits.op_minutes > 0 and limits.max_queens > 0

    def co2_ever(self, booking: Booking, bench: str, day: int) -> bool:
        """Tell whether a neighbouring day is attended on which the other CO2 treatment may be given."""
        capacity = self._capacity.get(bench, {})
        before = self._old_enough(booking, day) and capacity.get(day - 1, 0) > 0
        return before or capacity.get(day + 1, 0) > 0

    def ripe(self, source_id: str, bench: str, day: int) -> bool:
        place = (source_id, bench, day)
        if place not in self._ripe:
            source = self.ledger.sources.get(source_id)
            comes = source is not None and bench in source.benches
            self._ripe[place] = comes and any(one.first_day <= day <= one.last_day for one in self._cohorts[source_id])
        return self._ripe[place]

    def places(self, booking: Booking, *, sources: Iterable[str] | None = None) -> list[Place]:
        """Return every place with ripe drones that queens of the booking could have, free or not.

        ``sources`` stands for the accepted ones. Of the pools that could be made anew in a session, the one that
        needs least is taken.
        """
        usable = sorted(usable_sources(booking) if sources is None else sources)
        found: list[Place] = []
        for bench, day in self.open_days(booking):
            if not self.co2_ever(booking, bench, day):
                continue
            ripe = [source for source in usable if self.ripe(source, bench, day)]
            if booking.mode == "pool":
                found += self._pools(booking, bench, day, ripe, 1)
            else:
                found += [Place(bench, day, {source: 1}) for source in ripe]
        return found

    def pools(self, booking: Booking, bench: str, day: int, *, queens: int) -> list[Place]:
        """Return the pools that so many queens of the booking could have in a session: those there, last one made anew.

        Empty where too few of its sources are ripe. Whether there is room is for `blocks` to say.
        """
        ripe = [source for source in usable_sources(booking) if self.ripe(source, bench, day)]
        return self._pools(booking, bench, day, ripe, queens)

    def blocks(self, booking: Booking, place: Place, queens: int = 1) -> list[Block]:
        """Return all that is in the way of so many more queens of the booking at the place; empty: they fit."""
        bench, day = place.bench, place.day
        limits, session = self.ledger.bench_days[bench, day], self.ledger.session((bench, day))
        opened = [source for source in place.parts if source not in session.volume]
        setups = len(opened) + (place.pool == "")
        blocks = self._session_blocks(booking, place, limits, queens=queens, setups=setups)
        drones: dict[str, int] = {}
        for source_id, part in place.parts.items():
            source = self.ledger.sources[source_id]
            volume = -(-queens * booking.ul10 * MICRO * part // place.whole)
            drones[source_id] = source.md_per_ul10 * volume + (source.md_fixed * MICRO if source_id in opened else 0)
            blocks += self._share_block(place, source_id, volume, queens * booking.ul10 * MICRO)
        blocks += self._drone_blocks(place, limits, drones)
        if booking.mode == "one":
            others = {p.source for p in self.ledger.placements.get(booking.id, [])} - set(place.parts)
            if others:
                blocks.append(Block("one_source", bench, day, place.source, len(others)))
        return blocks

    def most(self, booking: Booking, place: Place, queens: int) -> int:
        """Return how many of so many more queens fit at the place. [queens]"""
        low, high = 0, queens
        while low < high:
            middle = (low + high + 1) // 2
            low, high = (low, middle - 1) if self.blocks(booking, place, middle) else (middle, high)
        return low

    def _pools(self, booking: Booking, bench: str, day: int, ripe: list[str], queens: int) -> list[Place]:
        least = least_parts(booking)
        if len(ripe) < least:
            return []
        session = self.ledger.session((bench, day))
        found = []
        for pool in session.pools:
            users = self.ledger.pool_users.get(pool.id, [])
            names = {known.pool for user in users if (known := self.ledger.bookings.get(user.booking))}
            own = {user.booking for user in users} == {booking.id}
            if not own and (booking.pool is None or names != {booking.pool}):
                continue
            parts = self.ledger.parts(pool)
            whole = sum(parts.values())
            capped = all(1000 * part <= booking.part_cap_permille * whole for part in parts.values())
            if len(parts) >= booking.min_sources and capped and set(parts) <= set(ripe):
                found.append(Place(bench, day, parts, whole, pool.id))
        volume = queens * booking.ul10 * MICRO
        part = -(-volume // least)

        def need(source_id: str) -> tuple[int, bool, int, str]:
            source = self.ledger.sources[source_id]
            new = source_id not in session.volume
            drones = source.md_per_ul10 * part + (source.md_fixed * MICRO if new else 0)
            over = self._share_over(source_id, part, volume) > 0
            return (self._stock_short(source, day, drones) + over, new, drones, source_id)

        chosen = sorted(ripe, key=need)[:least]
        found.append(Place(bench, day, dict.fromkeys(chosen, 1), least, ""))
        return found

    def _session_blocks(
        self, booking: Booking, place: Place, limits: BenchDay, *, queens: int, setups: int
    ) -> list[Block]:
        rules, bench, day = self.problem.rules, place.bench, place.day
        session = self.ledger.session((bench, day))
        used = rules.queen_minutes * session.queens + rules.setup_minutes * (len(session.volume) + len(session.pools))
        short = used + rules.queen_minutes * queens + rules.setup_minutes * setups - limits.op_minutes
        blocks = [Block("minutes", bench, day, None, short)] if short > 0 else []
        if session.queens + queens > limits.max_queens:
            blocks.append(Block("places", bench, day, None, session.queens + queens - limits.max_queens))
        co2 = self._co2_short(bench, day, old=self._old_enough(booking, day), queens=queens)
        if co2:
            blocks.append(Block("co2", bench, day, None, co2))
        return blocks

    def _share_over(self, source_id: str, volume: int, dose: int) -> int:
        cap = self.problem.share_cap(self.ledger.sources[source_id])
        return 1000 * (self.volumes.get(source_id, 0) + volume) - cap * (self.total + dose)

    def _share_block(self, place: Place, source_id: str, volume: int, dose: int) -> list[Block]:
        over = self._share_over(source_id, volume, dose)
        if over <= 0:
            return []
        return [Block("share", place.bench, place.day, source_id, -(-over // (self.total + dose)))]

    def _drone_blocks(self, place: Place, limits: BenchDay, drones: Mapping[str, int]) -> list[Block]:
        """Compare drones wanted with what helpers and stock can still give. [10^-6 md]"""
        bench, day = place.bench, place.day
        if (bench, day) not in self._reserved:
            volumes = self.ledger.session((bench, day)).volume
            self._reserved[bench, day] = sum(self.ledger.reserve(s, volume) for s, volume in volumes.items())
        short = self._reserved[bench, day] + sum(drones.values()) - 1000 * limits.collect_drones * MICRO
        blocks = [Block("collect", bench, day, None, -(-short // (1000 * MICRO)))] if short > 0 else []
        for source_id, wanted in drones.items():
            missing = self._stock_short(self.ledger.sources[source_id], day, wanted)
            if missing > 0:
                blocks.append(Block("stock", bench, day, source_id, -(-missing // (1000 * MICRO))))
        return blocks

    def stock_gap(self, source: Source, more: Mapping[int, int] | None = None) -> int:
        """Return what the source lacks for all that is taken, and so much more by day. [10^-6 md · 1/1000 eq]

        The oldest usable cohort gives first, which is best: so given to any one cohort that could serve what is
        more, exactly this is enough.
        """
        daily = dict(self._daily[source.id])
        for day, taken in (more or {}).items():
            daily[day] = daily.get(day, 0) + taken
        cohorts = self._cohorts[source.id]
        left = [1000 * cohort.stock_eq * MICRO for cohort in cohorts]
        short = 0
        for day, reserve in sorted(daily.items()):
            if not 0 <= day < self.problem.days:
                continue  # of a day that was called off since
            need = reserve * self.problem.weights[day]
            for position, cohort in enumerate(cohorts):
                if cohort.first_day <= day <= cohort.last_day:
                    taken = min(need, left[position])
                    left[position] -= taken
                    need -= taken
            short += need
        return short

    def _stock_short(self, source: Source, day: int, more: int) -> int:
        """Return how many drones of that day the source lacks when so many more are taken then. [10^-6 md]"""
        return -(-self.stock_gap(source, {day: more}) // self.problem.weights[day])

    def _old_enough(self, booking: Booking, day: int) -> bool:
        return day - 1 - booking.emerge >= self.problem.rules.co2_first_age

    def _co2_short(self, bench: str, day: int, *, old: bool, queens: int) -> int:
        """Return how many more treatments the day after would have to take. [queens]"""
        key = (bench, day, old, queens)
        if key not in self._co2_known:
            seated, old_seated = self._bench_queens(bench)
            with_more = {**seated, day: seated.get(day, 0) + queens}
            old_with_more = {**old_seated, day: old_seated.get(day, 0) + (queens if old else 0)}
            capacity = dict(self._capacity.get(bench, {}))

            def fits(more: int) -> bool:
                wider = {**capacity, day + 1: capacity.get(day + 1, 0) + more}
                return not co2_rounds(with_more, old_with_more, wider)[1]

            self._co2_known[key] = _least(fits, queens)
        return self._co2_known[key]

    def _bench_queens(self, bench: str) -> tuple[dict[int, int], dict[int, int]]:
        if bench not in self._seated:
            days = [day for name, day in self.ledger.sessions if name == bench]
            self._seated[bench] = (
                {day: self.ledger.session((bench, day)).queens for day in days},
                {day: self.ledger.old_enough((bench, day)) for day in days},
            )
        return self._seated[bench]


def usable_sources(booking: Booking) -> list[str]:
    """Return the accepted sources that are not excluded."""
    excluded = {entry.id for entry in booking.excluded}
    return sorted(entry.id for entry in booking.sources if entry.id not in excluded)


def least_parts(booking: Booking) -> int:
    """Return the number of parts that minimum and cap together force on a pool of equal parts."""
    return max(booking.min_sources, -(-1000 // booking.part_cap_permille))


def _least(fits: Callable[[int], bool], most: int) -> int:
    """Return the least number up to the most for which it fits."""
    low, high = 0, most
    while low < high:
        middle = (low + high) // 2
        low, high = (low, middle) if fits(middle) else (middle + 1, high)
    return low


def seated(problem: Problem, plan: Plan, booking: Booking, place: Place, queens: int) -> Plan:
    """Return the plan with so many more queens at the place, its CO2 rounds shared out anew, without a result.

    A pool made anew gets an id of its own; whether the plan keeps the rules is what `Room.blocks` said of the place.
    """
    volume = queens * booking.ul10
    pools = list(plan.pools)
    pool_id = place.pool
    if pool_id is not None:
        at = next((i for i, pool in enumerate(pools) if pool.id == pool_id), None)
        if at is None:
            taken = {pool.id for pool in pools}
            pool_id = next(name for n in count(1) if (name := f"{booking.id}.{n}") not in taken)
            parts = tuple(Part(source, volume * part / place.whole) for source, part in place.parts.items())
            pools.append(Pool(pool_id, place.bench, place.day, parts))
        else:
            total = sum(part.ul10 for part in pools[at].parts)
            parts = tuple(Part(part.source, part.ul10 * (total + volume) / total) for part in pools[at].parts)
            pools[at] = replace(pools[at], parts=parts)
    target = Placement(booking.id, place.bench, place.day, queens, place.source, pool_id)
    assign = list(plan.assign)
    for i, known in enumerate(assign):
        if replace(known, queens=queens) == target:
            assign[i] = replace(known, queens=known.queens + queens)
            break
    else:
        assign.append(target)
    return replace(plan, assign=tuple(assign), pools=tuple(pools), co2=co2_of(problem, assign), result=None)
