"""Repair beside planning anew: a source lost, a bench day closed and five in a hundred new queens after publishing.

    OMP_NUM_THREADS=1 python -m benchmarks.plan_repair small medium
    python -m benchmarks.plan_repair --seconds 20 medium     # CPU seconds for each plan

One worker, fixed seed, CPU seconds. Measured, not asserted. Also the time of a hand move's check.
"""

from __future__ import annotations

import argparse
import os
import random
import time
from dataclasses import replace

from benchmarks.planning import SIZES, generated
from scheduling.planning.checker import check, check_move
from scheduling.planning.moves import Move
from scheduling.planning.plan import Plan
from scheduling.planning.problem import Booking, Problem
from scheduling.planning.repair import repair
from scheduling.planning.repair_changes import bench_day_shortened, source_with_less, with_bookings
from scheduling.planning.rows import place_key
from scheduling.planning.solver import solve

NEW_QUEENS = 0.05


def changed(problem: Problem, plan: Plan, seed: int) -> Problem:
    """Lose the source that serves the median number of queens, close the median session, add bookings."""
    by_source: dict[str, int] = {}
    by_session: dict[tuple[str, int], int] = {}
    for placement in plan.assign:
        if placement.source is not None:
            by_source[placement.source] = by_source.get(placement.source, 0) + placement.queens
        session = (placement.bench, placement.day)
        by_session[session] = by_session.get(session, 0) + placement.queens
    lost = sorted(by_source, key=lambda source: (by_source[source], source))[len(by_source) // 2]
    bench, day = sorted(by_session, key=lambda session: (by_session[session], session))[len(by_session) // 2]
    print(f"  changed   source {lost} lost ({by_source[lost]} queens), ", end="")
    print(f"{bench} day {day} closed ({by_session[bench, day]} queens)", end="")
    after = bench_day_shortened(source_with_less(problem, lost, 0), bench, day, 0)
    draw = random.Random(seed)
    left = round(NEW_QUEENS * problem.requested)
    more: list[Booking] = []
    while left > 0:
        like = draw.choice(problem.bookings)
        queens = min(left, like.queens)
        more.append(replace(like, id=f"N{len(more) + 1}", queens=queens))
        left -= queens
    print(f", {sum(booking.queens for booking in more)} queens more asked")
    return with_bookings(after, tuple(more))


def moved(plan: Plan, other: Plan) -> int:
    now: dict[tuple[str, str, int, str | None], int] = {}
    for placement in other.assign:
        now[place_key(placement)] = now.get(place_key(placement), 0) + placement.queens
    was: dict[tuple[str, str, int, str | None], int] = {}
    for placement in plan.assign:
        was[place_key(placement)] = was.get(place_key(placement), 0) + placement.queens
    return sum(max(0, n - now.get(key, 0)) for key, n in was.items())


def served(plan: Plan) -> int:
    return sum(placement.queens for placement in plan.assign)


def measured(name: str, seconds: float, seed: int) -> None:
    problem = generated(SIZES[name], seed)
    plan = solve(problem, goal="served", cpu_seconds=seconds, seed=seed)
    print(f"{name}: {problem.requested} queens asked, {served(plan)} published after {seconds:.0f} s")
    after = changed(problem, plan, seed)
    found = repair(after, plan, seed=0, cpu_seconds=seconds)
    print(f"  repair    first after {found.first_seconds:.2f} s CPU, all {len(found.points)} points after", end="")
    print(f" {found.seconds:.1f} s")
    if not found.points:
        print(f"  repair    none keeps every rule: {', '.join(map(str, found.broken[:5]))}")
    for label in ("fewest", "balanced", "most") if found.points else ():
        point = getattr(found, label)
        broken = len(check(after, point.plan))
        print(f"  {label:9} {point.moved} of {found.told} moved, {point.served} served, {broken} rules broken")
    anew = solve(after, goal="served", cpu_seconds=seconds, seed=seed)
    print(f"  anew      {moved(plan, anew)} of {found.told} moved, {served(anew)} served, {seconds:.0f} s CPU")
    placement = next(entry for entry in plan.assign if entry.source is not None)
    move = Move(placement.booking, placement.bench, placement.day, 1, source=placement.source, taken_from=placement)
    times = []
    for _ in range(9):
        began = time.process_time()
        check_move(problem, plan, move)
        times.append(1000 * (time.process_time() - began))
    began = time.process_time()
    check(problem, plan)
    whole = 1000 * (time.process_time() - began)
    print(f"  hand move {sorted(times)[4]:.1f} ms (median of 9), the whole plan {whole:.1f} ms", end="")
    print(f"; load {os.getloadavg()[0]:.1f}")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("sizes", nargs="*", default=["small", "medium"], help=f"of {', '.join(SIZES)}")
    parser.add_argument("--seconds", type=float, default=20.0)
    parser.add_argument("--seed", type=int, default=77)
    options = parser.parse_args()
    for name in options.sizes:
        measured(name, options.seconds, options.seed)


if __name__ == "__main__":
    main()
