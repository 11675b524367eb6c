"""Scores become season results by each trait's published rule, and season results the records of an evaluation."""

import datetime as dt
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from decimal import Decimal
from math import isnan

from django.db.models import QuerySet

from accounts.models import Apiary, Cooperative
from breeding.genetics.records import Record
from breeding.models import Score, Trait
from breeding.queries.connection import FACTOR
from breeding.queries.season_arrays import SeasonArrays, season_arrays
from breeding.scoring import TRAITS, SingleScore, scores_by_method, season_result
from breeding.scoring import Trait as PublishedTrait

# colony, apiary, queen, trait key, year, value, part, whole, method, hours
Row = tuple[int, int, int, str, int, Decimal, int | None, int | None, str, Decimal | None]


@dataclass(frozen=True)
class RecordSet:
    """Records of the kernel; names of the apiary-years for people."""

    records: list[Record]
    level_names: dict[str, str]


@dataclass(frozen=True)
class SeasonResult:
    """One trait's result of a colony's season under one queen, from `scores` single scores."""

    trait_key: str
    year: int
    queen_id: int
    value: Decimal
    scores: int
    method: str

    @property
    def trait(self) -> PublishedTrait:
        return TRAITS[self.trait_key]


def current(scores: QuerySet[Score]) -> QuerySet[Score]:
    """Scores that count: neither corrected nor withdrawn."""
    return scores.filter(replaced_by__isnull=True, withdrawn_at__isnull=True)


def records_of(cooperative: Cooperative, *, since: dt.date | None = None, until: dt.date | None = None) -> RecordSet:
    """One record per colony, queen and year with the results of every trait. Three queries.

    The fixed effect is apiary × year. Of two test methods in one apiary-year only the more frequent one takes part.
    """
    traits = list(Trait.objects.filter(cooperative=cooperative))
    return record_set(cooperative, season_arrays(traits, first_day=since, last_day=until))


def record_set(cooperative: Cooperative, results: SeasonArrays) -> RecordSet:
    """Results as the kernel's records. One query."""
    levels = [f"{a}/{y}" for a, y in zip(results.apiary.tolist(), results.year.tolist(), strict=True)]
    records = [
        Record(
            str(queen),
            {key: value for key, value in zip(results.trait_keys, row, strict=True) if not isnan(value)},
            {FACTOR: level},
        )
        for queen, level, row in zip(results.queen.tolist(), levels, results.values.tolist(), strict=True)
    ]
    return RecordSet(records, level_names(cooperative, set(levels)))


def season_results(scores: QuerySet[Score]) -> list[SeasonResult]:
    """Results of the given scores by year, trait, method and queen, latest year first."""
    groups: dict[tuple[int, int, int, str, int], list[Row]] = _by_season(_rows(current(scores)))
    results = []
    for (_colony, _apiary, queen, key, year), group in groups.items():
        for method in sorted({row[8] for row in group}):
            chosen = [row for row in group if row[8] == method]
            result = _result(key, chosen)
            results.append(SeasonResult(key, year, queen, result.value, result.scores, method))
    return sorted(results, key=lambda result: (-result.year, result.trait_key, result.method, result.queen_id))


@dataclass(frozen=True)
class _Result:
    value: Decimal
    scores: int


def _result(key: str, rows: list[Row]) -> _Result:
    """By the rule of the trait, from the reading time used most (the longer one of two alike)."""
    singles = [
        SingleScore(value=None if part is not None else value, part=part, whole=whole, method=method, hours=hours)
        for *_key, value, part, whole, method, hours in rows
    ]
    groups = scores_by_method(singles)
    chosen = max(groups.values(), key=lambda group: (len(group), group[0].hours or Decimal(0)))
    value = season_result(key, chosen)
    if value is None:
        raise ValueError("a season result needs at least one score")
    return _Result(value, len(chosen))


def _rows(scores: QuerySet[Score]) -> list[Row]:
    return list(
        scores.order_by("colony_id", "scored_on", "pk").values_list(
            "colony_id",
            "colony__apiary_id",
            "queen_id",
            "trait__key",
            "scored_on__year",
            "value",
            "part",
            "whole",
            "method",
            "hours",
        )
    )


def _by_season(rows: Iterable[Row]) -> dict[tuple[int, int, int, str, int], list[Row]]:
    groups: dict[tuple[int, int, int, str, int], list[Row]] = defaultdict(list)
    for row in rows:
        groups[row[:5]].append(row)
    return groups


def level_names(cooperative: Cooperative, levels: Iterable[str]) -> dict[str, str]:
    """Names of apiary-years for people: `12/2025` → “Orchard 2025”. One query."""
    apiaries = dict(Apiary.objects.filter(member__cooperative=cooperative).values_list("pk", "name"))
    parts = {level: level.partition("/") for level in levels}
    return {level: f"{apiaries.get(int(apiary), apiary)} {year}" for level, (apiary, _, year) in parts.items()}
