"""The reserve lived through: sessions run short no oftener than the level allows, and what that costs."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from scheduling.planning.checker import check
from scheduling.planning.plan import Plan
from scheduling.planning.problem import Problem
from scheduling.planning.problem_file import problem_from_json
from scheduling.planning.service_curve import (
    LEVELS,
    Point,
    Stock,
    Truth,
    at_level,
    lived_through,
    service_curve,
    truth_of_file,
)
from scheduling.planning.solver import solve
from scheduling.planning.supply import Yield, day_weights, line_level
from tests.scheduling.planning.seasons import bench_day, booking, season_json

DAYS, SIGMA = 10, 0.96
PLENTY = {"op_minutes": 240, "collect_drones": 900, "max_queens": 60, "co2_capacity": 90}


def scarce_season(*, sources: int = 6) -> Problem:
    """Drones for about nine tenths of what is asked; every source has two cohorts, counted to 12 %."""
    data = season_json(
        days=DAYS,
        weights=list(day_weights(DAYS, SIGMA)),
        benches=[
            {
                "id": "J1",
                "days": [
                    bench_day(d, op_minutes=240, collect_drones=900, max_queens=60, co2_capacity=90)
                    for d in range(DAYS)
                ],
            }
        ],
        sources=[source_with_counts(n) for n in range(sources)],
        bookings=[
            booking(
                f"B{n}",
                member=f"M{1 + n % 2}",
                queens=12,
                emerge=-7 + n % 5,
                sources=[{"id": f"S{(n + k) % sources}", "merit": 50} for k in range(3)],
            )
            for n in range(14)
        ],
    )
    data["rules"]["survival_per_day"] = SIGMA
    return problem_from_json(data)


def source_with_counts(n: int) -> dict[str, object]:
    counts = [(-18, 260 + 20 * n, 0, 6), (-10, 300 - 10 * n, 4, 9)]
    return {
        "id": f"S{n}",
        "md_per_ul10": 200,
        "md_fixed": 4000,
        "benches": ["J1"],
        "usable_fraction": 0.56 + 0.02 * n,
        "kappa": 30.0,
        "ul_per_drone": 1.0,
        "cv_volume": 0.3,
        "cohorts": [
            {"first_day": a, "last_day": b, "stock_eq": 0, "emerge": day, "count": count} for day, count, a, b in counts
        ],
    }


def planned(problem: Problem) -> Plan:
    plan = solve(problem, goal="served", cpu_seconds=2)
    assert check(problem, plan) == []
    return plan


@pytest.fixture(scope="module")
def curve() -> dict[float, Point]:
    problem = scarce_season()
    truth = truth_of_file(problem, count_cv=0.12)
    return {point.level: point for point in service_curve(problem, truth, planned, draws=4000, seed=3)}


def test_source_sessions_run_short_no_oftener_than_the_level_allows(curve: dict[float, Point]):
    for level in (0.8, 0.9, 0.95):
        point = curve[level]
        assert point.sessions > 10
        assert point.short_high <= 1 - level  # with its confidence interval
        assert point.short >= (1 - level) / 2  # nor is more set aside than that needs


def test_planned_on_the_mean_about_every_second_source_session_runs_short(curve: dict[float, Point]):
    assert curve[0.5].short == pytest.approx(0.5, abs=0.06)
    assert curve[0.5].short_low < curve[0.5].short < curve[0.5].short_high < curve[0.5].short_low + 0.02


def test_a_higher_level_promises_fewer_and_keeps_more(curve: dict[float, Point]):
    points = [curve[level] for level in LEVELS]
    assert [p.promised for p in points] == sorted((p.promised for p in points), reverse=True)
    assert [p.broken for p in points] == sorted((p.broken for p in points), reverse=True)
    assert all(p.served_low <= p.served <= p.served_high <= p.promised for p in points)
    # The cost of the reserve: at 90 % some queens fewer are promised than on the mean, and most of those are kept.
    assert curve[0.9].promised < curve[0.5].promised
    assert curve[0.9].broken < 0.05 * curve[0.9].promised < curve[0.5].broken


def test_the_same_seed_gives_the_same_points(curve: dict[float, Point]):
    problem = scarce_season()
    truth = truth_of_file(problem, count_cv=0.12)
    asked = at_level(problem, truth, 0.9)
    plan = planned(asked)
    one, two = (
        lived_through(asked, plan, truth, level=0.9, draws=500, random=np.random.default_rng(5)) for _ in range(2)
    )
    assert one == two


def test_with_nothing_in_doubt_every_promise_is_kept():
    problem = scarce_season()
    sure = Yield(1.0, 1e6, 1.0, 0.0)
    truth = truth_of_file(problem, count_cv=0.12)
    exact = Truth(
        dict.fromkeys(truth.gives, sure),
        {name: tuple(Stock(stock.mean, 0.0) for stock in stocks) for name, stocks in truth.stocks.items()},
    )
    [point] = service_curve(problem, exact, planned, levels=(0.9,), draws=50)
    assert (point.short, point.served) == (0.0, float(point.promised))


def test_without_any_drone_nobody_is_served():
    problem = scarce_season()
    truth = truth_of_file(problem, count_cv=0.12)
    plan = planned(at_level(problem, truth, 0.9))
    gone = replace(truth, stocks={name: tuple(Stock(0.0, 0.0) for _ in row) for name, row in truth.stocks.items()})
    point = lived_through(
        at_level(problem, truth, 0.9), plan, gone, level=0.9, draws=20, random=np.random.default_rng(1)
    )
    assert (point.short, point.served) == (1.0, 0.0)


def test_pools_are_served_from_what_their_parts_give():
    data = season_json(
        sources=[
            {**source_with_counts(n), "cohorts": [{"first_day": 0, "last_day": 3, "stock_eq": 400_000}]} for n in (1, 2)
        ],
        bookings=[
            booking(
                "B1", mode="pool", pool="P", min_sources=2, part_cap_permille=600, sources=[{"id": "S1"}, {"id": "S2"}]
            )
        ],
    )
    problem = problem_from_json(data)
    truth = truth_of_file(problem, count_cv=0.12)
    [mean, safe] = service_curve(problem, truth, planned, levels=(0.5, 0.95), draws=2000)
    assert (mean.promised, mean.sessions) == (4, 2)
    assert mean.served < safe.served <= safe.promised == 4
    assert safe.short_high <= 0.05


def test_planning_ends_where_it_is_stopped():
    problem = scarce_season()
    truth = truth_of_file(problem, count_cv=0.12)
    plans = iter([planned(at_level(problem, truth, 0.5)), None])
    assert [point.level for point in service_curve(problem, truth, lambda _asked: next(plans), draws=10)] == [0.5]


def test_lines_leave_a_tenth_of_the_shortages_to_the_counts():
    assert line_level(0.5) == 0.5
    assert line_level(0.9) == pytest.approx(0.91)
    assert line_level(0.8) == pytest.approx(0.82)


def test_a_file_that_does_not_tell_its_yields_cannot_be_lived_through():
    problem = problem_from_json(season_json())
    with pytest.raises(ValueError, match="'S1' does not tell what its drones give"):
        truth_of_file(problem, count_cv=0.12)
