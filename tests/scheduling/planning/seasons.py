"""Seasons for the planner's tests: small ones by hand, random ones by a seeded generator."""

from __future__ import annotations

import random
from typing import Any

from scheduling.planning.problem import Problem
from scheduling.planning.problem_file import problem_from_json
from scheduling.planning.supply import day_weights


def season(**changes: Any) -> Problem:
    """One bench, four days, two sources, two members: enough of everything unless changed."""
    return problem_from_json(with_share_caps(season_json(**changes)))


def with_share_caps(data: dict[str, Any]) -> dict[str, Any]:
    """Sources' own largest shares and targets put where the format leaves room for them."""
    meta = {}
    for name in ("cap", "target"):
        key = f"share_{name}_permille"
        shares = {entry["id"]: entry.pop(key) for entry in data["sources"] if key in entry}
        if shares:
            meta[f"share_{name}s_permille"] = shares
    return {**data, "meta": meta} if meta else data


def season_json(**changes: Any) -> dict[str, Any]:
    data: dict[str, Any] = {
        "format": "season/1",
        "name": "by hand",
        "days": 4,
        "weights": [1000, 1000, 1000, 1000],
        "rules": {
            "queen_minutes": 5,
            "setup_minutes": 10,
            "co2_first_age": 5,
            "max_source_share_permille": 1000,
            "min_sources": 0,
            "min_source_ul10": 0,
        },
        "benches": [{"id": "J1", "days": [bench_day(day) for day in range(4)]}],
        "sources": [source("S1"), source("S2")],
        "members": [{"id": "M1"}, {"id": "M2"}],
        "bookings": [booking("B1"), booking("B2", member="M2")],
        "frozen": [],
        "published": [],
    }
    data["rules"].update(changes.pop("rules", {}))
    data.update(changes)
    return data


def bench_day(day: int, **changes: int) -> dict[str, int]:
    limits = {"day": day, "op_minutes": 100, "collect_drones": 200, "max_queens": 10, "co2_capacity": 20}
    return {**limits, **changes}


def source(name: str, **changes: Any) -> dict[str, Any]:
    cohorts = [{"first_day": 0, "last_day": 3, "stock_eq": 200_000}]
    line = {"md_per_ul10": 200, "md_fixed": 4000}
    return {"id": name, **line, "benches": ["J1"], "cohorts": cohorts, **changes}


def booking(name: str, **changes: Any) -> dict[str, Any]:
    data: dict[str, Any] = {
        "id": name,
        "member": "M1",
        "queens": 4,
        "emerge": -7,
        "ul10": 80,
        "age_min": 5,
        "age_max": 14,
        "best_min": 7,
        "best_max": 10,
        "benches": ["J1"],
        "mode": "each",
        "sources": [{"id": "S1", "merit": 50}, {"id": "S2", "merit": 70}],
        "excluded": [],
    }
    return {**data, **changes}


def random_season(seed: int, *, bookings: int = 5, days: int = 6, sources: int = 4) -> Problem:
    """A small season in which everything may be scarce."""
    draw = random.Random(seed)
    benches = [f"J{n}" for n in range(1, draw.randint(1, 2) + 1)]
    names = [f"S{n}" for n in range(1, sources + 1)]
    return problem_from_json(
        with_share_caps(
            {
                "format": "season/1",
                "name": f"random {seed}",
                "days": days,
                "weights": list(day_weights(days, draw.choice([1.0, 0.96, 0.9]))),
                "rules": {
                    "queen_minutes": draw.choice([3, 4, 6]),
                    "setup_minutes": draw.choice([5, 8]),
                    "co2_first_age": draw.choice([4, 5, 6]),
                    "max_source_share_permille": draw.choice([1000, 700, 500]),
                    "min_sources": draw.choice([0, 0, 1, 2]),
                    "min_source_ul10": 80,
                },
                "benches": [{"id": bench, "days": _bench_days(draw, days)} for bench in benches],
                "sources": [_source(draw, name, benches, days) for name in names],
                "members": [{"id": "M1"}, {"id": "M2"}, {"id": "M3"}],
                "bookings": [_booking(draw, f"B{n}", benches, names, days) for n in range(bookings)],
                "frozen": [],
                "published": [],
            }
        )
    )


def _bench_days(draw: random.Random, days: int) -> list[dict[str, int]]:
    return [
        bench_day(
            day,
            op_minutes=draw.choice([0, 25, 40, 60]),
            collect_drones=draw.choice([30, 60, 120]),
            max_queens=draw.randint(2, 9),
            co2_capacity=draw.randint(0, 12),
        )
        for day in range(days)
        if draw.random() < 0.9
    ]


def _source(draw: random.Random, name: str, benches: list[str], days: int) -> dict[str, Any]:
    cohorts: list[dict[str, int]] = []
    first = 0
    while first < days and len(cohorts) < 3:
        last = min(days - 1, first + draw.randint(1, 5))
        cohorts.append({"first_day": first, "last_day": last, "stock_eq": draw.randint(10, 120) * 1000})
        first += draw.randint(1, 3)
        if last == days - 1:
            break
    where = [bench for bench in benches if draw.random() < 0.8] or benches[:1]
    line = {"md_per_ul10": draw.randint(150, 260), "md_fixed": draw.randint(2000, 5000)}
    own_cap = {"share_cap_permille": draw.choice([300, 450])} if draw.random() < 0.2 else {}
    return {"id": name, **line, **own_cap, "benches": where, "cohorts": cohorts}


def _booking(draw: random.Random, name: str, benches: list[str], sources: list[str], days: int) -> dict[str, Any]:
    mode = draw.choice(["each", "each", "one", "pool"])
    accepted = draw.sample(sources, draw.randint(2, len(sources)))
    data = booking(
        name,
        member=draw.choice(["M1", "M2", "M3"]),
        queens=draw.randint(1, 7),
        emerge=draw.randint(-9, days - 5),
        age_max=draw.choice([8, 12, 14]),
        ul10=draw.choice([80, 100, 120]),
        benches=benches,
        mode=mode,
        sources=[{"id": entry, "merit": draw.randint(20, 90)} for entry in accepted],
        excluded=[{"id": accepted[0], "reason": "inbreeding", "value": 0.2}] if draw.random() < 0.2 else [],
    )
    if mode == "pool":
        data |= {"pool": "P", "min_sources": 2, "part_cap_permille": draw.choice([500, 600])}
    return data
