"""Why queens have no place, and what would give them one.

Two depths. Before any plan: nothing in the booking's window can be. With the plan as it is: what blocks each of
her possible places; the plainest block comes first, each with what would have to be freed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from .ledger import MICRO, Ledger
from .moves import co2_of
from .plan import Plan, Reason, Unserved
from .problem import BenchDay, Booking, Placement, Problem, Source

#: Every key, with what it says; numbers stand beside it in `plan.Reason`. The words for people are the
#: application's.
REASONS: dict[str, str] = {
    "no_bench_day": "no bench that the booking accepts is open in the age window",
    "no_source": "every accepted source is excluded, or none is accepted",
    "sources_excluded": "all accepted sources are over the inbreeding or viability limit",
    "no_ripe_source": "no accepted source can be brought ripe on any open day of the window",
    "too_few_sources": "a pool needs more sources than are ripe on any one day of the window",
    "no_co2": "no day of the window leaves room for the other CO2 treatment",
    "minutes": "operator minutes are short",
    "places": "no places left",
    "collect": "helpers cannot evert more drones that day",
    "stock": "the source has too few drones left",
    "co2": "the CO2 round of the neighbouring days is full",
    "share": "the source has reached its share of the season's semen",
    "one_source": "the batch is to stay with the source its other queens have",
    "pool_mix": "no pool that keeps minimum and cap can be mixed from what is left",
    "room": "there is room, but the search ended or another goal came first",
    "no_valid_plan": "no plan that keeps every rule was found",
}

#: At most so many reasons are told for a booking.
_MOST_REASONS = 4


@dataclass(frozen=True, slots=True)
class _Block:
    """One thing in the way at one possible place."""

    key: str
    bench: str
    day: int
    source: str | None
    missing: int


class Explainer:
    """Looks at a plan's free resources, place by place.

    Parameters
    ----------
    problem : Problem
    plan : Plan
        A valid plan.
    """

    def __init__(self, problem: Problem, plan: Plan) -> None:
        self.problem = problem
        self.ledger = Ledger(problem, plan)
        self.plan = plan
        self._used = {source.id: self.ledger.daily_reserve(source.id) for source in problem.sources}
        self._volumes = self.ledger.source_volumes()
        self._co2_known: dict[tuple[str, int, bool], bool] = {}

    def before_planning(self, booking: Booking) -> Reason | None:
        """Return why no plan could ever serve the booking; None when it has a possible place."""
        open_days = self._open_days(booking)
        if not open_days:
            first, last = booking.first_day, booking.last_day
            return Reason("no_bench_day", {"first_day": first, "last_day": last})
        usable = _usable(booking)
        if not usable:
            key = "sources_excluded" if booking.excluded and booking.sources else "no_source"
            return Reason(key, {"sources": len(booking.sources)})
        with_co2 = [day for day in open_days if self._co2_ever(booking, *day)]
        if not with_co2:
            return Reason("no_co2", {"days": len(open_days)})
        ripe = [sum(self._ripe(source, *day) for source in usable) for day in with_co2]
        if not max(ripe):
            return Reason("no_ripe_source", {"sources": len(usable), "days": len(with_co2)})
        if booking.mode == "pool" and max(ripe) < booking.min_sources:
            return Reason("too_few_sources", {"ripe": max(ripe), "min_sources": booking.min_sources})
        return None

    def blocks(self, booking: Booking) -> list[list[_Block]]:
        """Return, for each possible place of one more queen, everything in its way with the plan as it is."""
        places = []
        for bench, day in self._open_days(booking):
            if not self._co2_ever(booking, bench, day):
                continue
            if booking.mode == "pool":
                places.append(self._pool_blocks(booking, bench, day))
                continue
            for source in _usable(booking):
                if self._ripe(source, bench, day):
                    places.append(self._direct_blocks(booking, bench, day, source))
        return places

    def free_places(self, booking: Booking) -> list[tuple[str, int, str]]:
        """Return bench, day and source of every single place with nothing in the way."""
        return [
            (bench, day, source)
            for bench, day in self._open_days(booking)
            if self._co2_ever(booking, bench, day)
            for source in _usable(booking)
            if self._ripe(source, bench, day) and not self._direct_blocks(booking, bench, day, source)
        ]

    def reasons(self, booking: Booking) -> tuple[Reason, ...]:
        """Return the reasons for one more queen of the booking, single blocks first, smallest need first."""
        never = self.before_planning(booking)
        if never is not None:
            return (never,)
        places = self.blocks(booking)
        if not places:
            return (Reason("no_ripe_source", {"sources": len(_usable(booking)), "days": 0}),)
        if any(not blocks for blocks in places):
            return (Reason("room", {"places": sum(not blocks for blocks in places)}),)
        found: dict[tuple[str, int], tuple[int, int, _Block]] = {}
        for blocks in places:
            for block in blocks:
                count, missing, nearest = found.get((block.key, len(blocks)), (0, 10**12, block))
                if block.missing < missing:
                    missing, nearest = block.missing, block
                found[block.key, len(blocks)] = (count + 1, missing, nearest)
        told: dict[str, Reason] = {}
        for (key, together), (count, missing, block) in sorted(
            found.items(), key=lambda item: (item[0][1], -item[1][0], item[0][0])
        ):
            if key in told:
                continue
            numbers: dict[str, int | str] = {
                "places": count,
                "missing": missing,
                "together": together,
                "bench": block.bench,
                "day": block.day,
            }
            if block.source is not None:
                numbers["source"] = block.source
            # With one single thing in the way, lifting it gives this queen a place; a pool could still fail
            # to mix.
            told[key] = Reason(key, numbers, 1 if together == 1 and booking.mode != "pool" else None)
        return tuple(told.values())[:_MOST_REASONS]

    def _open_days(self, booking: Booking) -> list[tuple[str, int]]:
        days = range(max(0, booking.first_day), min(self.problem.days - 1, booking.last_day) + 1)
        found = []
        for day in days:
            for bench in booking.benches:
                limits = self.ledger.bench_days.get((bench, day))
                if limits is not None and limits.op_minutes and limits.max_queens:
                    found.append((bench, day))
        return found

    def _capacity(self, bench: str, day: int) -> int:
        limits = self.ledger.bench_days.get((bench, day))
        return limits.co2_capacity if limits is not None else 0

    def _old_enough(self, booking: Booking, day: int) -> bool:
        return day - 1 - booking.emerge >= self.problem.rules.co2_first_age

    def _co2_ever(self, booking: Booking, bench: str, day: int) -> bool:
        before = self._old_enough(booking, day) and self._capacity(bench, day - 1) > 0
        return before or self._capacity(bench, day + 1) > 0

    def _ripe(self, source_id: str, bench: str, day: int) -> bool:
        source = self.ledger.sources[source_id]
        ripe = any(cohort.first_day <= day <= cohort.last_day for cohort in source.cohorts)
        return ripe and bench in source.benches

    def _direct_blocks(self, booking: Booking, bench: str, day: int, source_id: str) -> list[_Block]:
        session = self.ledger.session((bench, day))
        source = self.ledger.sources[source_id]
        limits = self.ledger.bench_days[bench, day]
        opened = source_id in session.volume
        blocks = self._session_blocks(booking, bench, day, limits, setups=0 if opened else 1)
        drones = source.md_per_ul10 * booking.ul10 + (0 if opened else source.md_fixed)
        blocks += self._drone_blocks(bench, day, limits, {source_id: drones})
        volume = self._volumes.get(source_id, 0) + booking.ul10 * MICRO
        total = sum(self._volumes.values()) + booking.ul10 * MICRO
        over = 1000 * volume - self.problem.rules.max_source_share_permille * total
        if over > 0:
            blocks.append(_Block("share", bench, day, source_id, -(-over // (1000 * MICRO))))
        if booking.mode == "one":
            others = {p.source for p in self.ledger.placements.get(booking.id, [])} - {source_id}
            if others:
                blocks.append(_Block("one_source", bench, day, source_id, len(others)))
        return blocks

    def _pool_blocks(self, booking: Booking, bench: str, day: int) -> list[_Block]:
        """Try the simplest pools: one more queen in a pool that is there, or a new pool of equal parts."""
        limits = self.ledger.bench_days[bench, day]
        session = self.ledger.session((bench, day))
        ripe = [source for source in _usable(booking) if self._ripe(source, bench, day)]
        count = max(booking.min_sources, -(-1000 // booking.part_cap_permille))
        if len(ripe) < count:
            return [_Block("pool_mix", bench, day, None, count - len(ripe))]
        nearest: list[_Block] | None = None
        for pool in session.pools:
            users = self.ledger.pool_users.get(pool.id, [])
            own = any(user.booking == booking.id for user in users)
            names = {self.ledger.bookings[user.booking].pool for user in users}
            if own or (booking.pool is not None and names == {booking.pool}):
                parts = self.ledger.parts(pool)
                if not set(parts) <= set(ripe):
                    continue
                total = sum(parts.values())
                drones = {
                    source: -(-self.ledger.sources[source].md_per_ul10 * booking.ul10 * part // total)
                    for source, part in parts.items()
                }
                blocks = self._session_blocks(booking, bench, day, limits, setups=0)
                blocks += self._drone_blocks(bench, day, limits, drones)
                nearest = _fewer(nearest, blocks)
        ripe.sort(key=lambda source: (source not in session.volume, self.ledger.sources[source].md_fixed))
        chosen = ripe[:count]
        opened = sum(source not in session.volume for source in chosen)
        blocks = self._session_blocks(booking, bench, day, limits, setups=opened + 1)
        part = -(-booking.ul10 // count)
        drones = {}
        for source_id in chosen:
            source = self.ledger.sources[source_id]
            fixed = 0 if source_id in session.volume else source.md_fixed
            drones[source_id] = source.md_per_ul10 * part + fixed
        blocks += self._drone_blocks(bench, day, limits, drones)
        return _fewer(nearest, blocks)

    def _session_blocks(self, booking: Booking, bench: str, day: int, limits: BenchDay, *, setups: int) -> list[_Block]:
        rules, session = self.problem.rules, self.ledger.session((bench, day))
        blocks = []
        used = rules.queen_minutes * session.queens
        used += rules.setup_minutes * (len(session.volume) + len(session.pools))
        short = used + rules.queen_minutes + rules.setup_minutes * setups - limits.op_minutes
        if short > 0:
            blocks.append(_Block("minutes", bench, day, None, short))
        if session.queens >= limits.max_queens:
            blocks.append(_Block("places", bench, day, None, session.queens + 1 - limits.max_queens))
        if not self._co2_fits(booking, bench, day):
            blocks.append(_Block("co2", bench, day, None, 1))
        return blocks

    def _drone_blocks(self, bench: str, day: int, limits: BenchDay, drones: dict[str, int]) -> list[_Block]:
        """Compare drones wanted, in thousandths, with what helpers and stock can still give."""
        session = self.ledger.session((bench, day))
        blocks = []
        reserved = sum(self.ledger.reserve(source, volume) for source, volume in session.volume.items())
        short = reserved + sum(drones.values()) * MICRO - 1000 * limits.collect_drones * MICRO
        if short > 0:
            blocks.append(_Block("collect", bench, day, None, -(-short // (1000 * MICRO))))
        for source_id, wanted in drones.items():
            missing = self._stock_short(self.ledger.sources[source_id], day, wanted)
            if missing > 0:
                blocks.append(_Block("stock", bench, day, source_id, -(-missing // (1000 * MICRO))))
        return blocks

    def _stock_short(self, source: Source, day: int, more: int) -> int:
        """Return what the source lacks when so many more drones are taken that day. [10^-6 md]"""
        daily = dict(self._used[source.id])
        daily[day] = daily.get(day, 0) + more * MICRO
        cohorts = sorted(source.cohorts, key=lambda cohort: (cohort.last_day, cohort.first_day))
        left = [1000 * cohort.stock_eq * MICRO for cohort in cohorts]
        short = 0
        for taken_on, reserve in sorted(daily.items()):
            weight = self.problem.weights[taken_on]
            need = reserve * weight
            for position, cohort in enumerate(cohorts):
                if cohort.first_day <= taken_on <= cohort.last_day:
                    taken = min(need, left[position])
                    left[position] -= taken
                    need -= taken
            short += -(-need // weight)
        return short

    def _co2_fits(self, booking: Booking, bench: str, day: int) -> bool:
        key = (bench, day, self._old_enough(booking, day))
        if key not in self._co2_known:
            self._co2_known[key] = self._co2_fits_anew(booking, bench, day)
        return self._co2_known[key]

    def _co2_fits_anew(self, booking: Booking, bench: str, day: int) -> bool:
        sessions = [p for p in self.plan.assign if p.bench == bench]
        wanted: dict[int, int] = {}
        more = (*sessions, Placement(booking.id, bench, day, 1))
        for entry in co2_of(self.problem, more):
            wanted[entry.day - 1] = wanted.get(entry.day - 1, 0) + entry.before
            wanted[entry.day + 1] = wanted.get(entry.day + 1, 0) + entry.after
        return all(load <= self._capacity(bench, on) for on, load in wanted.items())


def explained(problem: Problem, plan: Plan, broken: Sequence[str] = ()) -> tuple[Unserved, ...]:
    """Return, for each booking with queens without a place, how many and why.

    Parameters
    ----------
    problem : Problem
    plan : Plan
    broken : sequence of str
        Rules that no plan was found for; then every reason is that.

    Returns
    -------
    tuple of Unserved
        In the problem's order of bookings.
    """
    explainer = Explainer(problem, plan)
    found = []
    for booking in problem.bookings:
        placed = sum(placement.queens for placement in explainer.ledger.placements.get(booking.id, []))
        missing = booking.queens - placed
        if missing <= 0:
            continue
        reasons = explainer.reasons(booking)
        if broken and explainer.before_planning(booking) is None:
            reasons = tuple(Reason("no_valid_plan", {"rule": rule}) for rule in broken)
        found.append(Unserved(booking.id, missing, reasons))
    return tuple(found)


def _usable(booking: Booking) -> list[str]:
    excluded = {entry.id for entry in booking.excluded}
    return sorted(entry.id for entry in booking.sources if entry.id not in excluded)


def _fewer(one: list[_Block] | None, other: list[_Block]) -> list[_Block]:
    return other if one is None or len(other) < len(one) else one
