"""Facts that change after a plan is published, as they reach the planner: a problem before and a problem after."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from typing import Literal, TypeVar

from .problem import Bench, BenchDay, Booking, Problem, Source

Entry = TypeVar("Entry", Source, Booking, Bench)

#: What a plan can be overtaken by.
Kind = Literal[
    "source_lost",
    "source_less",
    "source_excluded",
    "source_capped",
    "day_closed",
    "day_shorter",
    "batch_later",
    "batch_earlier",
    "booking_new",
    "booking_gone",
    "queens_more",
    "queens_fewer",
]
#: A source is said to have less below this share of what was expected. Our choice. [1/1000]
_LESS_PERMILLE = 900


@dataclass(frozen=True, slots=True)
class Change:
    """One fact that is not as it was.

    Parameters
    ----------
    kind : str
    amount : int
        ``source_less``: what is left of the stock that was expected [1/1000]; ``source_capped``: its largest share of
        all semen by now, smaller than it was [1/1000]; ``day_shorter``: minutes less;
        ``batch_later`` and ``batch_earlier``: days; ``source_excluded``: bookings that may not use it any more;
        otherwise queens.
    source, bench, day, booking : optional
        The place. Days count from the later problem's first day.
    """

    kind: Kind
    amount: int = 0
    source: str | None = None
    bench: str | None = None
    day: int | None = None
    booking: str | None = None


def changes_between(before: Problem, after: Problem, *, days_later: int = 0) -> list[Change]:
    """Return what is worse, later or new in the later of two problems of one season.

    Parameters
    ----------
    before, after : Problem
    days_later : int
        How many days the later problem's day 0 lies after the earlier one's. Days before it are past. [d]
    """
    return [
        *_of_sources(before, after, days_later),
        *_of_days(before, after, days_later),
        *_of_bookings(before, after, days_later),
    ]


def _of_sources(before: Problem, after: Problem, days_later: int) -> Iterator[Change]:
    """Drones die meanwhile: a stock is held against what the daily survival leaves of it."""
    now = {source.id: source for source in after.sources}
    lost: set[str] = set()
    survival = (before.rules.survival_per_day or 1.0) ** days_later
    for source in before.sources:
        was = sum(c.stock_eq for c in source.cohorts if c.last_day >= days_later) * survival
        left = sum(cohort.stock_eq for cohort in now[source.id].cohorts) if source.id in now else 0
        if was >= 1 and not left:
            lost.add(source.id)
            yield Change("source_lost", source=source.id)
        elif was >= 1 and 1000 * left < _LESS_PERMILLE * was:
            yield Change("source_less", int(1000 * left / was), source=source.id)
    for source in before.sources:
        if source.id in now and source.id not in lost and after.share_cap(now[source.id]) < before.share_cap(source):
            yield Change("source_capped", after.share_cap(now[source.id]), source=source.id)
    was_excluded = {(booking.id, entry.id) for booking in before.bookings for entry in booking.excluded}
    known = {booking.id for booking in before.bookings}
    counts: dict[str, int] = {}
    for booking in after.bookings:
        for entry in booking.excluded:
            if entry.id not in lost and booking.id in known and (booking.id, entry.id) not in was_excluded:
                counts[entry.id] = counts.get(entry.id, 0) + 1
    for source_id, n in sorted(counts.items()):
        yield Change("source_excluded", n, source=source_id)


def _of_days(before: Problem, after: Problem, days_later: int) -> Iterator[Change]:
    now = {(bench.id, day.day): day for bench in after.benches for day in bench.days}
    for bench in before.benches:
        for day in bench.days:
            place = (bench.id, day.day - days_later)
            if place[1] < 0 or not day.op_minutes or not day.max_queens:
                continue
            left = now[place].op_minutes if place in now else 0
            if not left or not now[place].max_queens:
                yield Change("day_closed", day.max_queens, bench=bench.id, day=place[1])
            elif left < day.op_minutes or now[place].max_queens < day.max_queens:
                yield Change("day_shorter", day.op_minutes - left, bench=bench.id, day=place[1])


def _of_bookings(before: Problem, after: Problem, days_later: int) -> Iterator[Change]:
    was = {booking.id: booking for booking in before.bookings}
    now = {booking.id: booking for booking in after.bookings}
    for booking in after.bookings:
        old = was.get(booking.id)
        if old is None:
            yield Change("booking_new", booking.queens, booking=booking.id)
            continue
        later = booking.emerge - (old.emerge - days_later)
        if later:
            yield Change("batch_later" if later > 0 else "batch_earlier", abs(later), booking=booking.id)
        more = booking.queens - old.queens
        if more:
            yield Change("queens_more" if more > 0 else "queens_fewer", abs(more), booking=booking.id)
    for booking in before.bookings:
        if booking.id not in now:
            yield Change("booking_gone", booking.queens, booking=booking.id)


def source_with_less(problem: Problem, source: str, permille: int) -> Problem:
    """Return the problem with only so much of a source's stock left; 0 is a source lost. [1/1000]"""
    if not 0 <= permille <= 1000:
        raise ValueError(f"permille is {permille}, must lie between 0 and 1000")

    def less(entry: Source) -> Source:
        cohorts = (replace(cohort, stock_eq=cohort.stock_eq * permille // 1000) for cohort in entry.cohorts)
        return replace(entry, cohorts=tuple(cohorts) if permille else ())

    return replace(problem, sources=_one(problem.sources, source, "source", less))


def bench_day_shortened(problem: Problem, bench: str, day: int, op_minutes: int) -> Problem:
    """Return the problem with a session of so many minutes at most; 0 closes it, CO2 rounds can still be given.

    Places and drones to evert shrink in the same proportion, rounded down.
    """
    if op_minutes < 0:
        raise ValueError(f"op_minutes is {op_minutes}, must not be below 0")

    def shorter(entry: BenchDay) -> BenchDay:
        if entry.day != day or entry.op_minutes <= op_minutes:
            return entry
        return replace(
            entry,
            op_minutes=op_minutes,
            max_queens=entry.max_queens * op_minutes // entry.op_minutes,
            collect_drones=entry.collect_drones * op_minutes // entry.op_minutes,
        )

    return replace(
        problem,
        benches=_one(
            problem.benches,
            bench,
            "bench",
            lambda entry: replace(entry, days=tuple(shorter(entry_day) for entry_day in entry.days)),
        ),
    )


def batch_later(problem: Problem, booking: str, days: int) -> Problem:
    """Return the problem with a booking's queens emerging so many days later (earlier when negative). [d]"""

    def later(entry: Booking) -> Booking:
        return replace(entry, emerge=entry.emerge + days)

    return replace(problem, bookings=_one(problem.bookings, booking, "booking", later))


def with_bookings(problem: Problem, more: tuple[Booking, ...]) -> Problem:
    """Return the problem with bookings that came after the plan."""
    return replace(problem, bookings=(*problem.bookings, *more))


def _one(entries: tuple[Entry, ...], wanted: str, what: str, change: Callable[[Entry], Entry]) -> tuple[Entry, ...]:
    if all(entry.id != wanted for entry in entries):
        raise ValueError(f"{what} {wanted!r} is not in the problem")
    return tuple(change(entry) if entry.id == wanted else entry for entry in entries)
