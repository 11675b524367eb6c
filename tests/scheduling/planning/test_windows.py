"""Very large seasons, some days at a time: together the windows keep every rule, and nobody is planned twice."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchmarks.planning import SIZES, generated
from scheduling.planning import solver
from scheduling.planning.baseline import hand_plan
from scheduling.planning.checker import check
from scheduling.planning.plan import Plan
from scheduling.planning.problem import Problem
from scheduling.planning.solver import Progress, columns_about, solve
from scheduling.planning.windows import plan_in_windows, windows

SEASON = replace(SIZES["medium"], queens=300, bookings=40, benches=2, sources=16, days=28)


def by_hand(problem: Problem, seconds: float, before: int) -> Plan:
    return hand_plan(problem)


def served(plan: Plan) -> int:
    return sum(placement.queens for placement in plan.assign)


@given(st.integers(1, 400))
def test_every_day_is_kept_once_and_seen_with_the_days_after_it(days: int):
    kept_until = 0
    for start, stop, kept in windows(days):
        assert start == kept_until < kept <= stop <= days
        assert stop == days or kept < stop
        kept_until = kept
    assert kept_until == days


@pytest.mark.parametrize("seed", range(4))
def test_windows_together_keep_the_rules(seed: int):
    """But for the rules of the whole season, which only the checker sees."""
    problem = generated(SEASON, seed)
    plan = plan_in_windows(problem, by_hand, 10)
    assert {violation.rule for violation in check(problem, plan)} <= {"min_sources", "share_cap"}
    assert 0.85 * served(hand_plan(problem)) < served(plan) <= problem.requested


def test_windows_share_the_time_and_know_who_has_places_before_them():
    problem = generated(SEASON, 1)
    told: list[tuple[float, int]] = []

    def noted(part: Problem, seconds: float, before: int) -> Plan:
        told.append((seconds, before))
        return hand_plan(part)

    plan = plan_in_windows(problem, noted, 60)
    assert sum(seconds for seconds, _ in told) == pytest.approx(60)
    before = [queens for _, queens in told]
    assert before[0] == 0
    assert before == sorted(before)
    assert before[-1] < served(plan)


def test_a_very_large_season_is_planned_in_windows(monkeypatch):
    problem = generated(SEASON, 2)
    assert columns_about(problem) > 1000
    monkeypatch.setattr(solver, "_MANY_COLUMNS", 1000)
    told: list[Progress] = []
    plan = solve(problem, goal="served", cpu_seconds=6, progress=told.append)
    result = plan.result
    assert result is not None
    assert check(problem, plan) == []
    assert result.status == "feasible"
    assert result.served <= result.bound_served <= problem.requested
    assert result.served >= served(hand_plan(problem))
    assert [progress.step for progress in told][-1] == "checking"


def test_a_season_in_windows_is_bounded_as_a_whole(monkeypatch):
    problem = generated(SEASON, 2)
    at_once = solve(problem, goal="served", cpu_seconds=3).result
    monkeypatch.setattr(solver, "_MANY_COLUMNS", 1000)
    told: list[Progress] = []
    in_windows = solve(problem, goal="served", cpu_seconds=3, progress=told.append).result
    assert at_once is not None
    assert in_windows is not None
    assert max(at_once.served, in_windows.served) <= in_windows.bound_served < problem.requested
    assert in_windows.bound_served <= 1.03 * at_once.bound_served, "near the relaxation, not only counted"
    assert {progress.bound for progress in told if progress.step == "working_out"} == {in_windows.bound_served}


def test_where_windows_break_a_rule_of_the_whole_it_is_planned_at_once(monkeypatch):
    problem = generated(SEASON, 3)
    monkeypatch.setattr(solver, "_MANY_COLUMNS", 1000)
    twice = replace(hand_plan(problem), assign=hand_plan(problem).assign * 2)
    monkeypatch.setattr(solver, "plan_in_windows", lambda *arguments: twice)
    plan = solve(problem, goal="served", cpu_seconds=3)
    assert check(problem, plan) == []
    assert served(plan) > 0
