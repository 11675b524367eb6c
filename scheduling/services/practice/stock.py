"""The invented stock goes in through the loader of stock that cooperatives use for their own tables."""

import csv
import datetime as dt
import tempfile
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path

import numpy as np

from accounts.models import Person
from accounts.refusals import Refusal
from breeding.models import Queen, Trait
from breeding.queries.pedigree import pedigree_of_cooperative
from breeding.services.evaluation.parameters import merit_weights, starting_parameters
from breeding.services.rules import local_day
from breeding.services.stock_load import stock_load
from scheduling.services.practice.names import MemberName
from scheduling.services.practice.pedigree import ColonyRow, Size, Stock, invent_stock
from scheduling.services.practice.people import People
from scheduling.services.practice.scores import ScoreRow, simulate_stock

Cells = Mapping[str, object]
Names = Sequence[MemberName]


def stock_make(
    people: People, *, last_year: int, size: Size, rng: np.random.Generator, by: Person, now: dt.datetime
) -> dict[str, float]:
    """Load the stock, then the scores of its tested colonies. Returns the true merit by the queen's label."""
    stock = invent_stock(last_year, size, rng)
    _load(people, _stock_tables(stock, people.names), by=by, now=now)
    labels = dict(Queen.objects.filter(cooperative=people.cooperative).values_list("label", "pk"))
    traits = list(Trait.objects.filter(cooperative=people.cooperative, in_evaluation=True))
    simulated = simulate_stock(
        pedigree_of_cooperative(people.cooperative),
        stock.colonies,
        {label: str(pk) for label, pk in labels.items()},
        starting_parameters(traits),
        merit_weights(traits),
        rng,
    )
    today = local_day(now, people.cooperative)
    scores = [score for score in simulated.scores if score.scored_on <= today]
    _load(people, {"scores.csv": _score_cells(stock.colonies, scores, people.names)}, by=by, now=now)
    return {label: round(simulated.true_merit[str(pk)], 4) for label, pk in labels.items()}


def _load(people: People, tables: Mapping[str, Iterable[Cells]], *, by: Person, now: dt.datetime) -> None:
    with tempfile.TemporaryDirectory() as around:
        folder = Path(around) / "practice-stock"  # the history says what it was read from
        folder.mkdir()
        for name, rows in tables.items():
            _write(folder / name, list(rows))
        loaded = stock_load(people.cooperative, folder=folder, by=by, now=now)
    if loaded.problems:
        raise Refusal("; ".join(str(problem) for problem in loaded.problems[:5]), rule="practice_stock")


def _write(path: Path, rows: list[Cells]) -> None:
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, fieldnames=list(dict.fromkeys(key for row in rows for key in row)))
        writer.writeheader()
        writer.writerows(rows)


def _stock_tables(stock: Stock, names: Names) -> dict[str, Iterable[Cells]]:
    return {
        "queens.csv": _queen_cells(stock, names),
        "matings.csv": [*_mixture_cells(stock), *_mating_cells(stock)],
        "colonies.csv": [
            {
                **_where(row, names),
                "established_on": row.since,
                "queen": row.queen,
                "since": row.since,
                "until": row.ended_on or "",
                "ended_on": row.ended_on or "",
                "ended_reason": "united after the test" if row.ended_on else "",
            }
            for row in stock.colonies
        ],
    }


def _queen_cells(stock: Stock, names: Names) -> Iterable[Cells]:
    for row in stock.queens:
        yield {
            "queen": row.label,
            "owner": names[row.owner].business,
            "mother": row.mother,
            "line": row.line,
            "emerged_on": row.emerged_on or "",
            "birth_year": row.birth_year,
            "origin": row.origin,
            "gone_on": row.gone_on or "",
            "gone_reason": "replaced after the test" if row.gone_on else "",
        }


def _mixture_cells(stock: Stock) -> Iterable[Cells]:
    for mixture in stock.mixtures:
        for source, tenths, drones in mixture.shares:
            yield {
                "batch": mixture.label,
                "mated_on": mixture.made_on,
                "drone_queen": source,
                "volume_ul": tenths / 10,
                "drones": drones,
            }


def _mating_cells(stock: Stock) -> Iterable[Cells]:
    for row in stock.matings:
        cells: dict[str, object] = {
            "queen": row.queen,
            "kind": row.kind,
            "mated_on": row.mated_on or "",
            "batch": row.batch,
            "station_mother": row.station_mother,
            "station_queens": row.station_queens or "",
            "place": row.place,
        }
        if not row.shares:
            yield {**cells, "drones": row.drones or ""}
        for source, tenths, drones in row.shares:
            volume = "" if tenths is None else tenths / 10
            yield {**cells, "drone_queen": source, "volume_ul": volume, "drones": drones or ""}


def _score_cells(colonies: Iterable[ColonyRow], scores: Iterable[ScoreRow], names: Names) -> Iterable[Cells]:
    where = {row.queen: _where(row, names) for row in colonies}
    for score in scores:
        yield {
            **where[score.queen],
            "trait": score.trait,
            "scored_on": score.scored_on,
            "value": "" if score.value is None else score.value,
            "part": "" if score.part is None else score.part,
            "whole": "" if score.whole is None else score.whole,
            "method": score.method,
            "hours": "" if score.hours is None else score.hours,
        }


def _where(row: ColonyRow, names: Names) -> Cells:
    member = names[row.member]
    return {"member": member.business, "apiary": member.apiaries[row.apiary], "colony": row.number}
