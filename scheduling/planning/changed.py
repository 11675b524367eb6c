"""A season with one fact changed, for questions of what-if. Light: pages read it."""

from __future__ import annotations

from dataclasses import replace

from .problem import Cohort, Problem, Source


def with_drones(problem: Problem, source: str, day: int, drones: int) -> Problem:
    """Return the problem with so many more safe drones of a source, ripe on that day. [drones]

    They join the youngest cohort ripe on that day; where there is none, they are one of that day alone.

    Raises
    ------
    ValueError
        When the problem has no such source or day.
    """
    if not 0 <= day < problem.days:
        raise ValueError(f"day is {day}, must lie between 0 and {problem.days - 1}")
    if all(entry.id != source for entry in problem.sources):
        raise ValueError(f"source {source!r} is not in the problem")
    more = drones * problem.weights[day]

    def with_more(entry: Source) -> Source:
        ripe = [n for n, cohort in enumerate(entry.cohorts) if cohort.first_day <= day <= cohort.last_day]
        if not ripe:
            return replace(entry, cohorts=(*entry.cohorts, Cohort(day, day, more)))
        youngest = max(ripe, key=lambda n: (entry.cohorts[n].last_day, entry.cohorts[n].first_day))
        cohorts = list(entry.cohorts)
        cohorts[youngest] = replace(cohorts[youngest], stock_eq=cohorts[youngest].stock_eq + more)
        return replace(entry, cohorts=tuple(cohorts))

    return replace(problem, sources=tuple(with_more(s) if s.id == source else s for s in problem.sources))


def with_dose(problem: Problem, ul10: int) -> Problem:
    """Return the problem with one dose for every queen. [0.1 µl]"""
    if ul10 < 1:
        raise ValueError(f"ul10 is {ul10}, must be above 0")
    return replace(problem, bookings=tuple(replace(booking, ul10=ul10) for booking in problem.bookings))
