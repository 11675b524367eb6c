"""What the commands ``plan_file`` and ``plan_check`` do: files in, files and exit codes out."""

from __future__ import annotations

import json
import os
import time
from argparse import ArgumentParser, ArgumentTypeError
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

from .checker import check
from .goals import GOALS, Goal
from .plan import Plan, plan_from_text, plan_to_json
from .problem import Problem
from .problem_file import problem_from_text
from .reading import FileError
from .solver import solve

PLAN_FILE_HELP = "Read a season/1 problem, write a plan/1 plan. Exit 2 and no output when the problem is refused."
PLAN_CHECK_HELP = "Print each rule that a plan breaks. Exit 1 when there is one, 2 when a file is refused."

REFUSED, BROKEN = 2, 1

Say = Callable[[str], object]
Read = TypeVar("Read", Problem, Plan)


def add_plan_arguments(parser: ArgumentParser) -> None:
    parser.add_argument("problem", help="the season/1 file")
    parser.add_argument("--out", required=True, help="where the plan/1 file is written")
    parser.add_argument("--goal", choices=GOALS, default="all", help="what counts; default: the full order")
    parser.add_argument("--seconds", type=_positive, default=20.0, help="CPU seconds at most; default 20")
    parser.add_argument("--seed", type=_natural, default=0, help="seed of the search; default 0")


def add_check_arguments(parser: ArgumentParser) -> None:
    parser.add_argument("problem", help="the season/1 file")
    parser.add_argument("plan", help="the plan/1 file")


def run_plan_file(
    problem_path: Path, out_path: Path, *, goal: Goal, seconds: float, seed: int, say: Say, warn: Say
) -> int:
    """Plan a file.

    Parameters
    ----------
    problem_path, out_path : Path
        Read from; written to, whole or not at all.
    goal, seconds, seed
        See `solver.solve`. What the process has used before counts against the seconds.
    say, warn : callable
        Take a line each.

    Returns
    -------
    int
        Exit code: 0, or 2 when the problem is refused or the plan cannot be written.
    """
    problem = _read(problem_path, problem_from_text, warn)
    if problem is None:
        return REFUSED
    if not out_path.parent.is_dir():
        warn(f"{out_path}: its folder does not exist")
        return REFUSED
    left = max(0.05, seconds - time.process_time())
    plan = solve(problem, goal=goal, cpu_seconds=left, seed=seed)
    try:
        write_whole(out_path, json.dumps(plan_to_json(plan), ensure_ascii=False, indent=1) + "\n")
    except OSError as error:
        warn(f"{out_path}: {error.strerror}")
        return REFUSED
    result = plan.result
    assert result is not None
    say(
        f"{result.served} of {result.requested} queens, at most {result.bound_served} "
        f"(gap {100 * result.gap:.1f} %), lowest share {result.fair:.3f}, {result.status}, "
        f"{result.seconds:.1f} s"
    )
    return 0


def run_plan_check(problem_path: Path, plan_path: Path, *, say: Say, warn: Say) -> int:
    """Check a plan file; print each violation.

    Returns
    -------
    int
        Exit code: 0 when every rule is kept, 1 when one is broken, 2 when a file is refused.
    """
    problem = _read(problem_path, problem_from_text, warn)
    plan = _read(plan_path, plan_from_text, warn)
    if problem is None or plan is None:
        return REFUSED
    violations = check(problem, plan)
    for violation in violations:
        say(str(violation))
    queens = sum(placement.queens for placement in plan.assign)
    say(f"{len(violations)} rules broken" if violations else f"every rule is kept: {queens} queens")
    return BROKEN if violations else 0


def _read(path: Path, parse: Callable[[str], Read], warn: Say) -> Read | None:
    try:
        return parse(path.read_text(encoding="utf-8"))
    except OSError as error:
        warn(f"{path}: {error.strerror}")
    except UnicodeDecodeError:
        warn(f"{path}: not UTF-8 text")
    except FileError as error:
        warn(f"{path}: {error}")
    return None


def write_whole(path: Path, text: str) -> None:
    """Write whole or not at all: a neighbour file first, then renamed."""
    draft = path.with_name(f".{path.name}.{os.getpid()}")
    try:
        draft.write_text(text, encoding="utf-8")
        draft.replace(path)
    finally:
        draft.unlink(missing_ok=True)


def _positive(text: str) -> float:
    value = float(text)
    if not 0 < value < 1e7:
        raise ArgumentTypeError("must be above 0")
    return value


def _natural(text: str) -> int:
    value = int(text)
    if not 0 <= value < 2**31:
        raise ArgumentTypeError("must be a whole number from 0")
    return value
