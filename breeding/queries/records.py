"""Scores become season results by each trait's published rule, and season results the records of an evaluation."""

import datetime as dt
from collections import Counter, defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field
from decimal import Decimal

from django.db.models import QuerySet
from django.utils.translation import gettext as _

from accounts.models import Apiary, Cooperative
from breeding.genetics.records import Record
from breeding.models import Score
from breeding.queries.connection import FACTOR
from breeding.scoring import TRAITS, SingleScore, scores_by_method, season_result
from breeding.scoring import Trait as PublishedTrait

# colony, apiary, queen, trait key, year, value, part, whole, method, hours
Row = tuple[int, int, int, str, int, Decimal, int | None, int | None, str, Decimal | None]


@dataclass(frozen=True)
class RecordSet:
    """Records of the kernel; names of the apiary-years for people; what did not take part, in words."""

    records: list[Record]
    level_names: dict[str, str]
    notes: list[str] = field(default_factory=list)


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


def records_of(cooperative: Cooperative, *, until: dt.date | None = None) -> RecordSet:
    """One record per colony, queen and year with the results of every trait. Two queries.

    The fixed effect is apiary × year. Of two test methods in one apiary-year only the more frequent one takes part.
    """
    scores = current(Score.objects.filter(trait__cooperative=cooperative))
    if until is not None:
        scores = scores.filter(scored_on__lte=until)
    rows = _rows(scores)
    usual = _usual_methods(rows)
    used = [row for row in rows if usual[(row[3], row[1], row[4])] == row[8]]
    values: dict[tuple[int, int, int, int], dict[str, float | None]] = defaultdict(dict)
    for (colony, apiary, queen, key, year), group in _by_season(used).items():
        values[(colony, apiary, queen, year)][key] = float(_result(key, group).value)
    records = [
        Record(str(queen), result, {FACTOR: f"{apiary}/{year}"})
        for (_colony, apiary, queen, year), result in sorted(values.items())
    ]
    notes = []
    if len(used) < len(rows):
        notes.append(
            _("%(number)s scores of a second test method in the same apiary and year took no part.")
            % {"number": len(rows) - len(used)}
        )
    return RecordSet(records, _level_names(cooperative, values), notes)


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


def _usual_methods(rows: Iterable[Row]) -> dict[tuple[str, int, int], str]:
    counts: dict[tuple[str, int, int], Counter[str]] = defaultdict(Counter)
    for row in rows:
        counts[(row[3], row[1], row[4])][row[8]] += 1
    return {key: min(count, key=lambda method: (-count[method], method)) for key, count in counts.items()}


def _level_names(cooperative: Cooperative, values: Iterable[tuple[int, int, int, int]]) -> dict[str, str]:
    names = dict(Apiary.objects.filter(member__cooperative=cooperative).values_list("pk", "name"))
    return {f"{apiary}/{year}": f"{names.get(apiary, apiary)} {year}" for _colony, apiary, _queen, year in values}
