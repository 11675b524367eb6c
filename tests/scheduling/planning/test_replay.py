"""A plan lived through day by day with whole drones: what it promises is there when its day comes.

Written from the rules of the file format alone, with a store of each cohort instead of sums over runs of cohorts.
"""

from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from scheduling.planning.plan import Plan
from scheduling.planning.problem import Placement, Problem, Source
from scheduling.planning.solver import solve

from .seasons import random_season, season

MD = 1000  # milli-drones in a drone
TOLERANCE = Fraction(1, 100)  # of a drone: parts of pools are real numbers


def volumes(problem: Problem, plan: Plan) -> dict[tuple[str, str, int], Fraction]:
    """Tenths of a microlitre of each source at each bench on each day."""
    dose = {booking.id: booking.ul10 for booking in problem.bookings}
    found: dict[tuple[str, str, int], Fraction] = {}
    for placement in plan.assign:
        if placement.source is not None:
            key = (placement.source, placement.bench, placement.day)
            found[key] = found.get(key, Fraction()) + dose[placement.booking] * placement.queens
    for pool in plan.pools:
        for part in pool.parts:
            key = (part.source, pool.bench, pool.day)
            found[key] = found.get(key, Fraction()) + Fraction(part.ul10)
    return {key: volume for key, volume in found.items() if volume > 0}


def drones_missing(problem: Problem, plan: Plan) -> list[str]:
    """Walk through the days; drones come from the oldest usable cohort, each costing the day's weight."""
    missing = []
    wanted = volumes(problem, plan)
    for source in problem.sources:
        stores = {n: Fraction(cohort.stock_eq) for n, cohort in enumerate(source.cohorts)}
        for day in range(problem.days):
            drones = sum(
                (
                    line(source, volume)
                    for (name, _bench, when), volume in wanted.items()
                    if (name, when) == (source.id, day)
                ),
                Fraction(),
            )
            left = take(source, stores, day, drones * problem.weights[day])
            if left > TOLERANCE * problem.weights[day]:
                missing.append(f"{source.id} lacks {float(left / problem.weights[day]):.3f} drones on day {day}")
    return missing


def line(source: Source, volume: Fraction) -> Fraction:
    """Drones that a volume reserves."""
    return (source.md_per_ul10 * volume + source.md_fixed) / MD


def take(source: Source, stores: dict[int, Fraction], day: int, wanted: Fraction) -> Fraction:
    """Take emergence equivalents (thousandths) from the oldest cohorts that are usable; return what is lacking."""
    usable = [n for n, cohort in enumerate(source.cohorts) if cohort.first_day <= day <= cohort.last_day]
    for n in sorted(usable, key=lambda n: (source.cohorts[n].last_day, source.cohorts[n].first_day)):
        taken = min(stores[n], wanted)
        stores[n] -= taken
        wanted -= taken
    return wanted


@settings(max_examples=25)
@given(st.integers(0, 10**6))
def test_on_every_day_the_drones_of_a_plan_are_there(seed: int) -> None:
    problem = random_season(seed)
    plan = solve(problem, goal="served", cpu_seconds=0.6)
    assert drones_missing(problem, plan) == []


@settings(max_examples=25)
@given(st.integers(0, 10**6))
def test_drones_fit_the_helpers_and_minutes_the_operator(seed: int) -> None:
    problem = random_season(seed)
    plan = solve(problem, goal="served", cpu_seconds=0.6)
    wanted = volumes(problem, plan)
    sources = {source.id: source for source in problem.sources}
    for bench in problem.benches:
        for day in bench.days:
            drones = [line(sources[name], v) for (name, b, d), v in wanted.items() if (b, d) == (bench.id, day.day)]
            queens = sum(p.queens for p in plan.assign if (p.bench, p.day) == (bench.id, day.day))
            pools = sum((pool.bench, pool.day) == (bench.id, day.day) for pool in plan.pools)
            minutes = problem.rules.queen_minutes * queens + problem.rules.setup_minutes * (len(drones) + pools)
            assert sum(drones, Fraction()) <= day.collect_drones + TOLERANCE
            assert minutes <= day.op_minutes
            assert queens <= day.max_queens


@pytest.mark.parametrize("lacking", [0, 1])
def test_the_replay_notices_a_drone_too_few(lacking: int) -> None:
    """Its own control: 4 queens of 8 µl from S1 reserve 200*320/1000 + 4 = 68 drones on day 0."""
    stock = (68 - lacking) * 1000
    problem = season(
        sources=[
            {
                "id": "S1",
                "md_per_ul10": 200,
                "md_fixed": 4000,
                "benches": ["J1"],
                "cohorts": [{"first_day": 0, "last_day": 3, "stock_eq": stock}],
            },
            {"id": "S2", "md_per_ul10": 200, "md_fixed": 4000, "benches": ["J1"], "cohorts": []},
        ]
    )
    plan = Plan("by hand", (Placement("B1", "J1", 0, 4, source="S1"),))
    assert bool(drones_missing(problem, plan)) == bool(lacking)
