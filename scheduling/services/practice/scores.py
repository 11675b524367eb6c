"""Scores with known truth: genes dropped down the recorded pedigree, then seen through the published scales."""

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal

import numpy as np

from breeding.genetics.nodes import build_nodes
from breeding.genetics.parameters import genetic_sd, merit_contrast
from breeding.genetics.pedigree import Pedigree
from breeding.genetics.records import Parameters
from breeding.genetics.simulate import RecordedColony, Truth, simulate_records, simulate_values
from scheduling.services.practice.pedigree import ColonyRow

FACTOR = "apiary_year"
# Means and SDs of the apiary-years are invented; they only have to look like an apiary.
MEANS = {"honey_yield": 36.0, "gentleness": 2.9, "calmness": 2.9, "swarming": 3.1, "pin_test": 62.0}
LEVEL_SD = {"honey_yield": 8.0, "gentleness": 0.2, "calmness": 0.2, "swarming": 0.25, "pin_test": 7.0}
VISIT_SD = 0.25
VISITS = ((4, 12), (5, 8), (5, 30), (6, 21))
EXTRACTIONS = ((6, 4, 0.6), (7, 24, 0.4))
SWARM_CHECKS = ((5, 8), (5, 30))
PIN_TESTS = ((5, 16), (6, 21))
PIN_CELLS, PIN_HOURS = 50, Decimal(12)


@dataclass(frozen=True)
class ScoreRow:
    queen: str
    trait: str
    scored_on: dt.date
    value: Decimal | None = None
    part: int | None = None
    whole: int | None = None
    method: str = ""
    hours: Decimal | None = None


@dataclass(frozen=True)
class Simulated:
    """``true_merit``: by the pedigree's ids, genetic SD, own genes, as the evaluation estimates it."""

    scores: list[ScoreRow]
    true_merit: dict[str, float]


def simulate_stock(
    pedigree: Pedigree,
    colonies: Sequence[ColonyRow],
    ids: Mapping[str, str],
    parameters: Parameters,
    weights: Mapping[str, float],
    rng: np.random.Generator,
) -> Simulated:
    """Drop genes down ``pedigree`` and score the tested ``colonies``; ``ids``: label of a queen -> pedigree id."""
    truth = simulate_values(build_nodes(pedigree), parameters, rng)
    tested = [colony for colony in colonies if colony.tested_in is not None]
    records = simulate_records(
        truth,
        parameters,
        [RecordedColony(ids[row.queen], {FACTOR: f"{row.member}/{row.apiary}/{row.tested_in}"}) for row in tested],
        means=MEANS,
        factor_sd={FACTOR: LEVEL_SD},
        rng=rng,
    )
    scores: list[ScoreRow] = []
    for row, record in zip(tested, records, strict=True):
        assert row.tested_in is not None
        seen = {trait: float(value) for trait, value in record.values.items() if value is not None}
        scores += _scored(row.queen, row.tested_in, seen, rng)
    return Simulated(scores, _true_merit(truth, parameters, weights))


def _true_merit(truth: Truth, parameters: Parameters, weights: Mapping[str, float]) -> dict[str, float]:
    merit = truth.queens @ merit_contrast(parameters, weights)
    return dict(zip(truth.queen_ids, merit.tolist(), strict=True))


def _scored(queen: str, year: int, seen: Mapping[str, float], rng: np.random.Generator) -> list[ScoreRow]:
    rows: list[ScoreRow] = []
    for trait in ("gentleness", "calmness"):
        for month, day in VISITS:
            value = _in_steps(seen[trait] + rng.normal(0, VISIT_SD), Decimal("0.5"), 1, 4)
            rows.append(ScoreRow(queen, trait, dt.date(year, month, day), value))
    for month, day, share in EXTRACTIONS:
        value = _in_steps(max(0.0, seen["honey_yield"]) * share, Decimal("0.1"), 0, 300)
        rows.append(ScoreRow(queen, "honey_yield", dt.date(year, month, day), value))
    lowest = _in_steps(seen["swarming"], Decimal(1), 1, 4)
    for check, (month, day) in enumerate(SWARM_CHECKS):
        value = lowest if check == 0 else min(Decimal(4), lowest + int(rng.integers(0, 2)))
        rows.append(ScoreRow(queen, "swarming", dt.date(year, month, day), value))
    share = min(1.0, max(0.0, seen["pin_test"] / 100))
    for month, day in PIN_TESTS:
        cleaned = round(share * PIN_CELLS + rng.normal(0, 1.2))
        rows.append(
            ScoreRow(
                queen,
                "pin_test",
                dt.date(year, month, day),
                part=min(PIN_CELLS, max(0, cleaned)),
                whole=PIN_CELLS,
                method="pin",
                hours=PIN_HOURS,
            )
        )
    bees = 300 + 10 * int(rng.integers(0, 6))
    rows.append(ScoreRow(queen, "varroa", dt.date(year, 8, 2), part=int(rng.poisson(5)), whole=bees))
    return rows


def _in_steps(value: float, step: Decimal, low: int, high: int) -> Decimal:
    return min(Decimal(high), max(Decimal(low), round(Decimal(value) / step) * step))


__all__ = ["ScoreRow", "Simulated", "genetic_sd", "simulate_stock"]
