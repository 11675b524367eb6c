"""How much faster a season that falls into parts is planned by several workers.

    python -m benchmarks.planning_parts [--parts 4] [--seconds 40] [--workers 1 2]

The season is so many medium ones beside each other, with nothing in common. Wall time, with the same parts and CPU
seconds for every number of workers, in one run; the plan must be the same. Measured, not asserted.
"""

import argparse
import multiprocessing
import os
import time
from dataclasses import replace

from benchmarks.planning import SIZES, generated
from scheduling.planning.checker import check
from scheduling.planning.components import components, merged, shared_seconds
from scheduling.planning.plan import Plan
from scheduling.planning.problem import Problem
from scheduling.planning.solver import solve


def apart(number: int) -> Problem:
    """A medium season with names of its own, free of rules over the whole volume."""
    problem = generated(replace(SIZES["medium"], queens=1_500, bookings=150, sources=20, members=40), number)

    def new(name: str) -> str:
        return f"{number}-{name}"

    return replace(
        problem,
        rules=replace(problem.rules, max_source_share_permille=1000, min_sources=0),
        benches=tuple(replace(bench, id=new(bench.id)) for bench in problem.benches),
        sources=tuple(replace(s, id=new(s.id), benches=tuple(map(new, s.benches))) for s in problem.sources),
        members=tuple(replace(member, id=new(member.id)) for member in problem.members),
        bookings=tuple(
            replace(
                b,
                id=new(b.id),
                member=new(b.member),
                benches=tuple(map(new, b.benches)),
                sources=tuple(replace(accepted, id=new(accepted.id)) for accepted in b.sources),
                excluded=tuple(replace(excluded, id=new(excluded.id)) for excluded in b.excluded),
                pool=new(b.pool) if b.pool is not None else None,
            )
            for b in problem.bookings
        ),
    )


def season(parts: int) -> Problem:
    first, *others = (apart(number) for number in range(1, parts + 1))
    return replace(
        first,
        days=max(first.days, *(other.days for other in others)),
        benches=first.benches + tuple(bench for other in others for bench in other.benches),
        sources=first.sources + tuple(source for other in others for source in other.sources),
        members=first.members + tuple(member for other in others for member in other.members),
        bookings=first.bookings + tuple(booking for other in others for booking in other.bookings),
    )


def worked_out(task: tuple[Problem, float]) -> Plan:
    problem, seconds = task
    return solve(problem, goal="served", cpu_seconds=seconds)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--parts", type=int, default=4)
    parser.add_argument("--seconds", type=float, default=40.0, help="CPU time for the whole season")
    parser.add_argument("--workers", type=int, nargs="+", default=[1, 2])
    options = parser.parse_args()
    problem = season(options.parts)
    parts = components(problem, "served")
    tasks = list(zip(parts, shared_seconds(parts, options.seconds), strict=True))
    print(f"{problem.requested} queens in {len(parts)} parts, {options.seconds:g} s of CPU time")
    print(f"load of the machine {os.getloadavg()[0]:.1f}")
    took: list[float] = []
    plans: list[Plan] = []
    for workers in options.workers:
        began = time.perf_counter()
        with multiprocessing.get_context("spawn").Pool(workers) as pool:
            plan = merged(problem, parts, pool.map(worked_out, tasks, chunksize=1))
        took.append(time.perf_counter() - began)
        plans.append(plan)
        assert plan.result is not None
        print(
            f"{workers} workers: {took[-1]:.1f} s ({took[0] / took[-1]:.2f} times as fast), "
            f"served {plan.result.served}, "
            f"bound {plan.result.bound_served}, {len(check(problem, plan))} rules broken, "
            f"same plan: {plan.assign == plans[0].assign}"
        )


if __name__ == "__main__":
    main()
