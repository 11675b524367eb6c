"""How good and how quick the planner is, beside the hand rules, on generated seasons of four sizes.

    python -m benchmarks.planning small medium          # the sizes to try
    python -m benchmarks.planning --seconds 60 medium   # CPU seconds for each
    python -m benchmarks.planning --write DIR large     # only write the problem file

One worker, fixed seed, CPU time; set OMP_NUM_THREADS=1. Measured, not asserted.
"""

from __future__ import annotations

import argparse
import json
import random
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from scheduling.planning.baseline import earliest_deadline, first_come
from scheduling.planning.checker import check, check_move
from scheduling.planning.grid import grid_of
from scheduling.planning.moves import Move
from scheduling.planning.problem import Problem
from scheduling.planning.problem_file import problem_from_json, problem_to_json
from scheduling.planning.reasons import explained
from scheduling.planning.solver import Progress, solve
from scheduling.planning.supply import Yield, day_weights, reserve_line

SURVIVAL = 0.96
LEVEL = 0.9
COUNT_CV = 0.12
FIRST_AGE, LAST_AGE = 14, 32


@dataclass(frozen=True)
class Size:
    """``drones`` and ``bench``: what there is over what all queens together need. ``seconds``: CPU, by default."""

    days: int
    sources: int
    bookings: int
    queens: int
    benches: int
    members: int
    drones: float
    bench: float
    seconds: float


SIZES = {
    "small": Size(14, 6, 20, 150, 1, 8, 1.3, 1.0, 30),
    "medium": Size(40, 40, 300, 3_000, 3, 70, 0.94, 1.0, 60),
    "large": Size(60, 200, 2_000, 20_000, 12, 400, 0.86, 1.0, 300),
    "huge": Size(90, 1_000, 10_000, 100_000, 50, 2_000, 0.85, 1.0, 480),
}


def generated(size: Size, seed: int) -> Problem:
    """Invent a season: batches spread over it, benches open about two days in three, drones scarce."""
    draw = random.Random(seed)
    benches = [f"J{n + 1}" for n in range(size.benches)]
    sources = [_source(draw, f"S{n + 1}", benches, size) for n in range(size.sources)]
    at_bench = {bench: [s["id"] for s in sources if bench in s["benches"]] for bench in benches}
    counts = _split(draw, size.queens, size.bookings)
    bookings = [_booking(draw, n, counts[n], at_bench, size) for n in range(size.bookings)]
    _give_stock(draw, sources, bookings, size)
    return problem_from_json(
        {
            "format": "season/1",
            "name": f"generated {size.queens} {seed}",
            "days": size.days,
            "weights": list(day_weights(size.days, SURVIVAL)),
            "rules": {
                "queen_minutes": 4,
                "setup_minutes": 8,
                "co2_first_age": 5,
                "max_source_share_permille": min(1000, 3000 // size.sources + 25),
                "min_sources": size.sources // 2,
                "min_source_ul10": 80,
                "survival_per_day": SURVIVAL,
                "reserve_level": LEVEL,
            },
            "benches": [{"id": bench, "days": _bench_days(draw, bench, bookings, size)} for bench in benches],
            "sources": sources,
            "members": [{"id": f"M{n + 1}"} for n in range(size.members)],
            "bookings": bookings,
            "frozen": [],
            "published": [],
        }
    )


def _split(draw: random.Random, total: int, count: int) -> list[int]:
    sizes = [draw.lognormvariate(0, 0.8) for _ in range(count)]
    whole = [max(1, int(total * entry / sum(sizes))) for entry in sizes]
    while sum(whole) < total:
        whole[draw.randrange(count)] += 1
    return whole


def _source(draw: random.Random, name: str, benches: list[str], size: Size) -> dict[str, Any]:
    gives = Yield(draw.uniform(0.5, 0.67), 30.0, 1.0, 0.3)
    slope, fixed = reserve_line(gives, level=LEVEL, least_ul=8, most_ul=120)
    cohorts, emerge = [], -draw.randint(18, 28)
    while emerge + FIRST_AGE < size.days:
        first, last = max(0, emerge + FIRST_AGE), min(size.days - 1, emerge + LAST_AGE)
        if last >= 0:
            cohorts.append({"emerge": emerge, "first_day": first, "last_day": last, "stock_eq": 0})
        emerge += draw.randint(7, 16)
    return {
        "id": name,
        "usable_fraction": round(gives.usable_fraction, 3),
        "kappa": gives.kappa,
        "ul_per_drone": gives.ul_per_drone,
        "cv_volume": gives.cv_volume,
        "md_per_ul10": slope,
        "md_fixed": fixed,
        "benches": sorted(draw.sample(benches, min(len(benches), 3))),
        "cohorts": cohorts,
    }


def _booking(draw: random.Random, n: int, queens: int, at_bench: dict[str, list[str]], size: Size) -> dict[str, Any]:
    home = draw.choice(sorted(bench for bench, there in at_bench.items() if len(there) > 5) or sorted(at_bench))
    benches = [home]
    if len(at_bench) > 1 and draw.random() < 0.28:
        benches.append(draw.choice([bench for bench in sorted(at_bench) if bench != home]))
    mode = draw.choices(["each", "one", "pool"], [0.8, 0.09, 0.11])[0]
    there = at_bench[home]
    accepted = draw.sample(there, min(len(there), 6 if mode == "pool" else draw.randint(2, 10)))
    data = {
        "id": f"B{n + 1}",
        "member": f"M{draw.randrange(size.members) + 1}",
        "queens": queens,
        "emerge": draw.randint(-7, size.days - 8),
        "ul10": draw.choices([80, 90, 100, 110, 120], [49, 18, 18, 10, 5])[0],
        "age_min": 5,
        "age_max": 14,
        "best_min": 7,
        "best_max": 10,
        "benches": benches,
        "mode": mode,
        "sources": [{"id": source, "merit": draw.randint(25, 95)} for source in accepted],
        "excluded": [],
    }
    if mode == "pool":
        data |= {"pool": "P" + "-".join(accepted), "min_sources": 3, "part_cap_permille": 450}
    return data


def _give_stock(draw: random.Random, sources: list[dict[str, Any]], bookings: list[dict[str, Any]], size: Size) -> None:
    """Spread over the cohorts what all queens would need on the mean, times the season's drone ratio."""
    popular: dict[str, float] = {source["id"]: 0.0 for source in sources}
    for booking in bookings:
        for entry in booking["sources"]:
            popular[entry["id"]] += booking["queens"] * booking["ul10"] / len(booking["sources"])
    for source in sources:
        drones = size.drones * popular[source["id"]] * source["md_per_ul10"] / 1000
        parts = [draw.uniform(0.5, 1.5) for _ in source["cohorts"]]
        for cohort, part in zip(source["cohorts"], parts, strict=True):
            middle = (cohort["first_day"] + cohort["last_day"]) / 2
            mean = drones * part / sum(parts) / SURVIVAL**middle
            cohort["stock_eq"] = int(1000 * mean * (1 - 1.2816 * COUNT_CV))


def _bench_days(draw: random.Random, bench: str, bookings: list[dict[str, Any]], size: Size) -> list[dict[str, int]]:
    """Follow the demand: queens in their best days, half as much again in places, minutes to the ratio."""
    demand = [0.0] * size.days
    for booking in bookings:
        if booking["benches"][0] == bench:
            for age in range(6, 12):
                if 0 <= booking["emerge"] + age < size.days:
                    demand[booking["emerge"] + age] += booking["queens"] / 6
    days = []
    for day, queens in enumerate(demand):
        attended = 10 + int(2.5 * queens)
        if draw.random() < 0.35:
            limits = {"op_minutes": 0, "collect_drones": 0, "max_queens": 0}
        else:
            # Closed days push their queens on to the open ones.
            here = 1.5 * queens
            limits = {
                "op_minutes": 30 + 5 * int(size.bench * here * 5.2 / 5),
                "collect_drones": 60 + int(17 * size.bench * here),
                "max_queens": 6 + int(1.3 * here),
            }
        days.append({"day": day, **limits, "co2_capacity": attended})
    return days


def measured(name: str, problem: Problem, seconds: float, goal: str, seed: int) -> None:
    began = time.process_time()
    grid = grid_of(problem)
    by_hand = {rule.__name__: rule(grid).served for rule in (first_come, earliest_deadline)}
    hand_seconds = time.process_time() - began
    best = max(by_hand.values())
    told: list[Progress] = []
    plan = solve(problem, goal=goal, cpu_seconds=seconds, seed=seed, progress=told.append)  # type: ignore[arg-type]
    result = plan.result
    assert result is not None
    print(f"{name}: {problem.requested} queens, {len(grid.direct) + len(grid.pooled)} columns, goal {goal}")
    print(f"  by hand   {by_hand['first_come']} first come, {by_hand['earliest_deadline']} earliest deadline", end="")
    print(f" ({hand_seconds:.2f} s)")
    for limit in (1, 5, 10, 20, 30, 60, 90, 180, 300, 480):
        done = [progress for progress in told if progress.step == "working_out" and progress.seconds <= limit]
        if done and limit <= seconds:
            last = done[-1]
            gap = 100 * (last.bound - last.served) / last.bound
            print(f"  {limit:4d} s    {last.served} served, bound {last.bound}, gap {gap:.1f} %", end="")
            print(f", {100 * (last.served / best - 1):+.1f} % on the best hand rule")
    print(f"  end       {result.served} served, bound {result.bound_served}, gap {100 * result.gap:.2f} %", end="")
    print(f", {100 * (result.served / best - 1):+.1f} %, lowest share {result.fair:.3f}, {result.status}", end="")
    print(f", {result.seconds:.1f} s CPU, {result.peak_mb:.0f} MB, {result.solver}")
    began = time.process_time()
    broken = check(problem, plan)
    print(f"  checker   {len(broken)} rules broken, {1000 * (time.process_time() - began):.1f} ms", end="")
    began = time.process_time()
    reasons = explained(problem, plan)
    print(f"; reasons for {len(reasons)} bookings in {time.process_time() - began:.2f} s", end="")
    first = next((placement for placement in plan.assign if placement.source), None)
    if first is not None:
        move = Move(first.booking, first.bench, first.day, 1, source=first.source, taken_from=first)
        began = time.process_time()
        check_move(problem, plan, move)
        print(f"; a hand move in {1000 * (time.process_time() - began):.1f} ms", end="")
    print()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("sizes", nargs="*", default=["small", "medium"], help=f"of {', '.join(SIZES)}, or files")
    parser.add_argument("--seconds", type=float, default=None)
    parser.add_argument("--seed", type=int, default=77)
    parser.add_argument("--goal", default="served")
    parser.add_argument("--write", type=Path, default=None, metavar="DIR")
    options = parser.parse_args()
    for name in options.sizes:
        size = SIZES.get(name)
        if size is not None:
            problem = generated(size, options.seed)
        else:
            problem = problem_from_json(json.loads(Path(name).read_text(encoding="utf-8")))
        if options.write is not None:
            target = options.write / f"season-{name}-{options.seed}.json"
            target.write_text(json.dumps(problem_to_json(problem)), encoding="utf-8")
            print(target)
            continue
        seconds = options.seconds or (size.seconds if size is not None else 30.0)
        measured(name, problem, seconds, options.goal, options.seed)


if __name__ == "__main__":
    main()
