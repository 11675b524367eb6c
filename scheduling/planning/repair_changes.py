"""Facts that change after a plan is published, as they reach the planner: a problem before and a problem after."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import TypeVar

from .problem import Bench, BenchDay, Booking, Problem, Source

Entry = TypeVar("Entry", Source, Booking, Bench)


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
