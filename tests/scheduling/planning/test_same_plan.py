"""The same seed gives the same plan, however busy the machine is."""

from __future__ import annotations

import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace

import pytest

from benchmarks.planning import SIZES, generated
from scheduling.planning import running
from scheduling.planning.goals import served_goal
from scheduling.planning.grid import grid_of
from scheduling.planning.highs import Relaxation, solved
from scheduling.planning.model import model_of
from scheduling.planning.plan import Plan
from scheduling.planning.problem import Problem
from scheduling.planning.solver import solve

SMALL = generated(SIZES["small"], 5)
MEDIUM = generated(replace(SIZES["medium"], queens=1500, bookings=150, sources=30, members=40), 5)


@contextmanager
def busy(processes: int = 3) -> Iterator[None]:
    """Keep more processes busy than there are processors."""
    spinning = [subprocess.Popen([sys.executable, "-c", "while True: pass"]) for _ in range(processes)]
    try:
        yield
    finally:
        for process in spinning:
            process.kill()
            process.wait()


def made(problem: Problem, seconds: float) -> Plan:
    return replace(solve(problem, goal="served", cpu_seconds=seconds, seed=3), result=None)


@pytest.mark.parametrize(("problem", "seconds"), [(SMALL, 3.0), (MEDIUM, 6.0)], ids=["small", "medium"])
def test_a_busy_machine_changes_no_plan(problem: Problem, seconds: float, monkeypatch):
    """The guard of CPU time is set aside: what ends the search is counted work."""
    monkeypatch.setattr(running, "_RECKONED", running._RECKONED / 3)
    calm = made(problem, 3 * seconds / 2)
    with busy():
        assert made(problem, 3 * seconds / 2) == calm
    assert calm.assign


def test_work_is_counted_not_timed(monkeypatch):
    """Twice the same call, once on a clock that hardly moves: the same answer and the same reckoned time."""
    model = model_of(grid_of(SMALL))
    program = model.program(served_goal(model))
    first, slow = (solved(program, seconds=0.2, seed=1), Relaxation(program).solve(5))
    monkeypatch.setattr(time, "process_time", lambda: 0.0)
    again, slow_again = (solved(program, seconds=0.2, seed=1), Relaxation(program).solve(5))
    assert (first.value, first.bound, first.work) == (again.value, again.bound, again.work)
    assert (slow.value, slow.work) == (slow_again.value, slow_again.work)
    assert first.work > 0 < slow.work


def test_a_limit_of_reckoned_time_ends_a_call():
    model = model_of(grid_of(SMALL))
    program = model.program(served_goal(model))
    short, long = (solved(program, seconds=seconds, seed=1) for seconds in (0.05, 0.5))
    assert not short.proven
    assert 0 < short.work < long.work


def test_cpu_time_ends_the_work_of_a_machine_slower_than_reckoned(monkeypatch):
    clock = running.Clock(10.0)
    assert clock.left() == pytest.approx(10.0 * running._RECKONED)
    clock.work(4.0)
    assert clock.left() == pytest.approx(10.0 * running._RECKONED - 4.0)
    began = time.process_time()
    monkeypatch.setattr(time, "process_time", lambda: began + 8.0)
    assert clock.left() == pytest.approx(2.0, abs=0.1), "what is left of both: later goals get their share of it"
    monkeypatch.setattr(time, "process_time", lambda: 1e9)
    assert clock.left() == 0.0
