"""Does a plan keep every rule? Integer arithmetic throughout, and not one line shared with the solver.

Volumes of pool parts are real numbers in the file; here they are whole millionths of a tenth of a microlitre,
so that every sum is exact. The only tolerance is a hundredth of a drone and a hundredth of a volume unit.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from .ledger import MICRO, Ledger, Place, Session
from .moves import Move, plan_after_move
from .plan import Plan
from .problem import Booking, Problem

#: Units of the amounts, by rule. The words for people are the application's.
RULES: dict[str, str] = {
    "season": "plans",
    "unknown_booking": "queens",
    "unknown_source": "queens",
    "unknown_pool": "queens",
    "queens": "queens",
    "age_low": "days",
    "age_high": "days",
    "bench": "queens",
    "closed": "queens",
    "mode": "queens",
    "not_accepted": "queens",
    "excluded": "queens",
    "not_at_bench": "queens",
    "one_source": "sources",
    "pool_double": "pools",
    "pool_session": "queens",
    "pool_sharing": "bookings",
    "pool_volume": "tenths of a microlitre",
    "pool_parts": "parts",
    "pool_cap": "tenths of a microlitre",
    "minutes": "minutes",
    "places": "queens",
    "collect": "thousandths of a drone",
    "co2_count": "queens",
    "co2_age": "queens",
    "co2_load": "treatments",
    "stock": "thousandths of a drone",
    "share": "tenths of a microlitre",
    "min_sources": "sources",
    "frozen": "queens",
}

_TOLERANCE_UL10 = MICRO // 100
_TOLERANCE_MD = 10 * MICRO


@dataclass(frozen=True, slots=True)
class Violation:
    """One rule broken at one place.

    Parameters
    ----------
    rule : str
        A key of `RULES`.
    amount : int
        By how much, in the unit that `RULES` names; rounded up.
    booking, bench, day, source, pool : optional
        The place.
    """

    rule: str
    amount: int
    booking: str | None = None
    bench: str | None = None
    day: int | None = None
    source: str | None = None
    pool: str | None = None

    def __str__(self) -> str:
        names = ("booking", "bench", "day", "source", "pool")
        place = " ".join(f"{name}={getattr(self, name)}" for name in names if getattr(self, name) is not None)
        return f"{self.rule}: {place or 'whole plan'}: {self.amount} {RULES[self.rule]}"


def check(problem: Problem, plan: Plan) -> list[Violation]:
    """Return every violation of the rules.

    Parameters
    ----------
    problem : Problem
    plan : Plan

    Returns
    -------
    list of Violation
        In the order bookings, pools, sessions, CO2, stock, whole plan; empty when the plan is valid.
    """
    ledger = Ledger(problem, plan)
    return [
        *_unknown(problem, plan, ledger),
        *_bookings(ledger, ledger.bookings),
        *_pools(ledger, ledger.pools),
        *_sessions(ledger, ledger.sessions),
        *_co2(ledger, {(bench, day + step) for bench, day in ledger.co2_places() for step in (-1, 0, 1)}),
        *_stock(ledger, ledger.sources),
        *_whole(ledger),
    ]


def check_move(problem: Problem, plan: Plan, move: Move) -> list[Violation]:
    """Return the rules that a hand move would break and that are not as broken without it.

    Only bookings, sessions, benches and sources that the move touches are looked at.

    Parameters
    ----------
    problem : Problem
    plan : Plan
        The plan before the move.
    move : Move
        Queens of a booking put into a session, perhaps taken out of another placement.

    Returns
    -------
    list of Violation
        Empty when the move may be made.

    Raises
    ------
    ValueError
        When the move takes more queens out of a placement than it holds, or names a pool nobody knows.
    """
    after = plan_after_move(problem, plan, move)
    ledgers = Ledger(problem, plan), Ledger(problem, after)
    touched = _Touched.of(move, ledgers)
    before, found = (
        [*_unknown(problem, p, o), *touched.judged(o)] for p, o in zip((plan, after), ledgers, strict=True)
    )
    was = {_place(violation): violation.amount for violation in before}
    return [violation for violation in found if violation.amount > was.get(_place(violation), 0)]


def _place(violation: Violation) -> tuple[object, ...]:
    return (
        violation.rule,
        violation.booking,
        violation.bench,
        violation.day,
        violation.source,
        violation.pool,
    )


@dataclass(frozen=True, slots=True)
class _Touched:
    """What a move can change: with both sides known, what was broken before is not taken for new."""

    booking: str
    places: frozenset[Place]
    sources: frozenset[str]
    pools: frozenset[str]

    @classmethod
    def of(cls, move: Move, ledgers: tuple[Ledger, Ledger]) -> _Touched:
        places = {(move.bench, move.day)}
        if move.taken_from is not None:
            places.add((move.taken_from.bench, move.taken_from.day))
        sessions = [ledger.session(place) for ledger in ledgers for place in places]
        sources = frozenset(source for session in sessions for source in session.volume)
        pools = frozenset(pool.id for session in sessions for pool in session.pools)
        return cls(move.booking, frozenset(places), sources, pools)

    def judged(self, ledger: Ledger) -> list[Violation]:
        near = {(bench, day + s) for bench, day in ledger.co2_places({b for b, _ in self.places}) for s in (-1, 0, 1)}
        return [
            *_bookings(ledger, (self.booking,)),
            *_pools(ledger, sorted(self.pools & set(ledger.pools))),
            *_sessions(ledger, sorted(self.places)),
            *_co2(ledger, near),
            *_stock(ledger, self.sources),
            *_whole(ledger),
        ]


def _unknown(problem: Problem, plan: Plan, ledger: Ledger) -> Iterator[Violation]:
    if plan.season != problem.name:
        yield Violation("season", 1)
    for placement in plan.assign:
        place = {"booking": placement.booking, "bench": placement.bench, "day": placement.day}
        if placement.booking not in ledger.bookings:
            yield Violation("unknown_booking", placement.queens, **place)  # type: ignore[arg-type]
        if placement.pool is not None and placement.pool not in ledger.pools:
            yield Violation("unknown_pool", placement.queens, pool=placement.pool, **place)  # type: ignore[arg-type]
        if placement.source is not None and placement.source not in ledger.sources:
            yield Violation("unknown_source", placement.queens, source=placement.source, **place)  # type: ignore[arg-type]
    for pool in plan.pools:
        for part in pool.parts:
            if part.source not in ledger.sources:
                yield Violation("unknown_source", 1, bench=pool.bench, day=pool.day, source=part.source, pool=pool.id)
    for pool_id in sorted(ledger.double_pools):
        yield Violation("pool_double", 1, pool=pool_id)


def _bookings(ledger: Ledger, ids: Iterable[str]) -> Iterator[Violation]:
    for booking_id in ids:
        booking = ledger.bookings.get(booking_id)
        if booking is None:
            continue
        placements = ledger.placements.get(booking_id, [])
        queens = sum(placement.queens for placement in placements)
        if queens > booking.queens:
            yield Violation("queens", queens - booking.queens, booking=booking_id)
        used = {placement.source for placement in placements if placement.source is not None}
        if booking.mode == "one" and len(used) > 1:
            yield Violation("one_source", len(used) - 1, booking=booking_id)
        for placement in placements:
            bench, day, n = placement.bench, placement.day, placement.queens
            age = day - booking.emerge
            if age < booking.age_min:
                yield Violation("age_low", booking.age_min - age, booking_id, bench, day)
            if age > booking.age_max:
                yield Violation("age_high", age - booking.age_max, booking_id, bench, day)
            if bench not in booking.benches:
                yield Violation("bench", n, booking_id, bench, day)
            if (booking.mode == "pool") != (placement.pool is not None):
                yield Violation("mode", n, booking_id, bench, day, placement.source, placement.pool)
            if placement.source is not None:
                yield from _source_allowed(ledger, booking, placement.source, bench, day, n)


def _source_allowed(
    ledger: Ledger, booking: Booking, source: str, bench: str, day: int, queens: int, pool: str | None = None
) -> Iterator[Violation]:
    if source not in {accepted.id for accepted in booking.sources}:
        yield Violation("not_accepted", queens, booking.id, bench, day, source, pool)
    if source in {excluded.id for excluded in booking.excluded}:
        yield Violation("excluded", queens, booking.id, bench, day, source, pool)
    if source in ledger.sources and bench not in ledger.sources[source].benches:
        yield Violation("not_at_bench", queens, booking.id, bench, day, source, pool)


def _pools(ledger: Ledger, ids: Iterable[str]) -> Iterator[Violation]:
    for pool_id in ids:
        pool = ledger.pools[pool_id]
        users = ledger.pool_users.get(pool_id, [])
        parts = ledger.parts(pool)
        total = sum(parts.values())
        need = 0
        members: dict[str, Booking] = {}
        for placement in users:
            booking = ledger.bookings.get(placement.booking)
            if (placement.bench, placement.day) != (pool.bench, pool.day):
                yield Violation(
                    "pool_session",
                    placement.queens,
                    placement.booking,
                    placement.bench,
                    placement.day,
                    pool=pool_id,
                )
            if booking is not None:
                members[booking.id] = booking
                need += placement.queens * booking.ul10 * MICRO
        place = {"bench": pool.bench, "day": pool.day, "pool": pool_id}
        if abs(total - need) > _TOLERANCE_UL10:
            yield Violation("pool_volume", -(-abs(total - need) // MICRO), **place)  # type: ignore[arg-type]
        if len(members) > 1:
            names = {booking.pool for booking in members.values()}
            if len(names) > 1 or None in names:
                yield Violation("pool_sharing", len(members), **place)  # type: ignore[arg-type]
        for booking in members.values():
            missing = booking.min_sources - len(parts)
            if missing > 0:
                yield Violation("pool_parts", missing, booking.id, pool.bench, pool.day, pool=pool_id)
            for source, volume in parts.items():
                over = 1000 * volume - booking.part_cap_permille * total
                if over > 1000 * _TOLERANCE_UL10:
                    yield Violation(
                        "pool_cap",
                        -(-over // (1000 * MICRO)),
                        booking.id,
                        pool.bench,
                        pool.day,
                        source,
                        pool_id,
                    )
                yield from _source_allowed(ledger, booking, source, pool.bench, pool.day, 1, pool_id)


def _sessions(ledger: Ledger, places: Iterable[tuple[str, int]]) -> Iterator[Violation]:
    rules = ledger.problem.rules
    for bench, day in places:
        session: Session = ledger.session((bench, day))
        open_day = ledger.bench_days.get((bench, day))
        if open_day is None or open_day.op_minutes == 0:
            if session.queens:
                yield Violation("closed", session.queens, bench=bench, day=day)
            continue
        setups = len(session.volume) + len(session.pools)
        minutes = rules.queen_minutes * session.queens + rules.setup_minutes * setups
        if minutes > open_day.op_minutes:
            yield Violation("minutes", minutes - open_day.op_minutes, bench=bench, day=day)
        if session.queens > open_day.max_queens:
            yield Violation("places", session.queens - open_day.max_queens, bench=bench, day=day)
        reserve = sum(ledger.reserve(source, volume) for source, volume in session.volume.items())
        over = reserve - 1000 * open_day.collect_drones * MICRO
        if over > _TOLERANCE_MD:
            yield Violation("collect", -(-over // MICRO), bench=bench, day=day)


def _co2(ledger: Ledger, places: Iterable[tuple[str, int]]) -> Iterator[Violation]:
    for place in sorted(places):
        bench, day = place
        before, after = ledger.co2.get(place, (0, 0))
        queens, old_enough = ledger.session(place).queens, ledger.old_enough(place)
        if before + after != queens:
            yield Violation("co2_count", abs(before + after - queens), bench=bench, day=day)
        if before > old_enough:
            yield Violation("co2_age", before - old_enough, bench=bench, day=day)
        load = ledger.co2.get((bench, day + 1), (0, 0))[0] + ledger.co2.get((bench, day - 1), (0, 0))[1]
        open_day = ledger.bench_days.get(place)
        capacity = open_day.co2_capacity if open_day is not None else 0
        if load > capacity:
            yield Violation("co2_load", load - capacity, bench=bench, day=day)


def _stock(ledger: Ledger, ids: Iterable[str]) -> Iterator[Violation]:
    """Go through the days, always taking the oldest usable cohort first."""
    weights = ledger.problem.weights
    for source_id in sorted(set(ids) & set(ledger.sources)):
        source = ledger.sources[source_id]
        cohorts = sorted(source.cohorts, key=lambda cohort: (cohort.last_day, cohort.first_day))
        left = [1000 * cohort.stock_eq * MICRO for cohort in cohorts]
        for day, reserve in sorted(ledger.daily_reserve(source_id).items()):
            if not 0 <= day < len(weights):
                continue  # told as a closed day already
            need = reserve * weights[day]
            for position, cohort in enumerate(cohorts):
                if cohort.first_day <= day <= cohort.last_day:
                    taken = min(need, left[position])
                    left[position] -= taken
                    need -= taken
            if need > _TOLERANCE_MD * weights[day]:
                yield Violation("stock", -(-need // (MICRO * weights[day])), day=day, source=source_id)


def _whole(ledger: Ledger) -> Iterator[Violation]:
    rules = ledger.problem.rules
    volumes = ledger.source_volumes()
    total = sum(volumes.values())
    for source_id, volume in sorted(volumes.items()):
        source = ledger.sources.get(source_id)
        own = source.share_cap_permille if source is not None else None
        most = rules.max_source_share_permille if own is None else min(own, rules.max_source_share_permille)
        over = 1000 * volume - most * total
        if over > 1000 * _TOLERANCE_UL10:
            yield Violation("share", -(-over // (1000 * MICRO)), source=source_id)
    least = rules.min_source_ul10 * MICRO - _TOLERANCE_UL10
    enough = sum(volume > 0 and volume >= least for volume in volumes.values())
    if enough < rules.min_sources:
        yield Violation("min_sources", rules.min_sources - enough)
    for frozen in ledger.problem.frozen:
        kept = sum(
            placement.queens
            for placement in ledger.placements.get(frozen.booking, [])
            if (placement.bench, placement.day) == (frozen.bench, frozen.day)
            and (frozen.source is None or placement.source == frozen.source)
        )
        if kept < frozen.queens:
            yield Violation(
                "frozen",
                frozen.queens - kept,
                frozen.booking,
                frozen.bench,
                frozen.day,
                frozen.source,
                frozen.pool,
            )
