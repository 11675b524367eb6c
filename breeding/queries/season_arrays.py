"""Season results of a whole cooperative as arrays: numpy adds up and applies each trait's rule.

For one colony's page `records.season_results` does the same with decimals; tests hold both against each other.
"""

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from django.db.models import FloatField, Func, IntegerField, QuerySet
from django.db.models.functions import Cast

from breeding.genetics.types import Bools, Floats, Ints
from breeding.models import Colony, Score, Trait
from breeding.queries.raw import raw_rows
from breeding.scoring import TRAITS, Rule

STEPS = 1000  # results are kept to 0.001 of the unit


class YearOf(Func):
    """Year of a day as a whole number, without a call of Python for each row."""

    function = "EXTRACT"
    template = "CAST(EXTRACT(YEAR FROM %(expressions)s) AS integer)"
    output_field = IntegerField()

    def as_sqlite(self, compiler: Any, connection: Any, **more: Any) -> Any:
        return self.as_sql(compiler, connection, template="CAST(substr(%(expressions)s, 1, 4) AS integer)", **more)


@dataclass(frozen=True)
class SeasonArrays:
    """One row for each colony, apiary, queen and year, sorted by these; columns of `values` follow `trait_keys`.

    colony, apiary, queen, year : (n,). Primary keys and the calendar year.
    values : (n, n_traits), in the traits' units, NaN where a trait was not scored.
    n_scores : single scores read; n_left_out : those of a second test method in the same apiary and year.
    """

    trait_keys: tuple[str, ...]
    colony: Ints
    apiary: Ints
    queen: Ints
    year: Ints
    values: Floats
    n_scores: int = 0
    n_left_out: int = 0

    def __len__(self) -> int:
        return len(self.colony)

    def only(self, rows: "Bools | Ints") -> "SeasonArrays":
        """The same with some of the rows."""
        return SeasonArrays(
            self.trait_keys,
            self.colony[rows],
            self.apiary[rows],
            self.queen[rows],
            self.year[rows],
            self.values[rows],
            self.n_scores,
            self.n_left_out,
        )

    def traits_only(self, columns: Bools) -> "SeasonArrays":
        """The same with some of the traits; every row holds a value of one of them."""
        return replace(
            self,
            trait_keys=tuple(key for key, kept in zip(self.trait_keys, columns.tolist(), strict=True) if kept),
            values=self.values[:, columns],
        )


def season_arrays(
    traits: Sequence[Trait], *, first_day: dt.date | None = None, last_day: dt.date | None = None
) -> SeasonArrays:
    """Results of the given traits from the scores between both days (included). Two queries."""
    keys = tuple(trait.key for trait in traits)
    scores = Score.objects.filter(
        trait__in=[trait.pk for trait in traits], replaced_by__isnull=True, withdrawn_at__isnull=True
    )
    if first_day is not None:
        scores = scores.filter(scored_on__gte=first_day)
    if last_day is not None:
        scores = scores.filter(scored_on__lte=last_day)
    rows = _rows(scores)
    if not rows:
        none = np.zeros(0, dtype=np.int64)
        return SeasonArrays(keys, none, none, none, none, np.zeros((0, len(keys))))
    columns = list(zip(*rows, strict=True))
    colony, queen, trait, year = (np.array(column, dtype=np.int64) for column in columns[:4])
    column_of = {trait_.pk: k for k, trait_ in enumerate(traits)}
    trait = np.array([column_of[pk] for pk in columns[2]], dtype=np.int64)
    method_of = {method: k for k, method in enumerate(sorted(set(columns[4])))}
    method = np.array([method_of[text] for text in columns[4]], dtype=np.int64)
    hours, value, part, whole = (np.nan_to_num(np.array(column, dtype=float)) for column in columns[5:])
    # Scores of one season, method and reading time stand together; they are summed up group by group.
    order = np.lexsort((hours, method, year, trait, queen, colony))
    group = np.stack([colony, queen, trait, year, method])[:, order]
    start = np.flatnonzero(_changes(group) | _changes(hours[order][None]))
    colony, queen, trait, year, method = group[:, start]
    hours = hours[order][start]
    count = np.diff([*start.tolist(), len(order)])
    total, parts, wholes = (np.add.reduceat(numbers[order], start) for numbers in (value, part, whole))
    lowest = np.minimum.reduceat(value[order], start)
    result = _by_rule(keys, trait, total, lowest, count, parts.astype(np.int64), wholes.astype(np.int64))
    apiary = _apiaries(colony)
    usual = _usual(trait, apiary, year, method, count)
    n_left_out = int(count[~usual].sum())
    # Of several reading times the one used most counts, of two alike the longer one: it comes last and stays.
    order = np.lexsort((hours, count, year, queen, apiary, colony))
    order = order[usual[order]]
    colony, apiary, queen, year = colony[order], apiary[order], queen[order], year[order]
    new = _changes(np.stack([colony, apiary, queen, year]))
    values = np.full((int(new.sum()), len(keys)), np.nan)
    values[np.cumsum(new) - 1, trait[order]] = result[order]
    return SeasonArrays(keys, colony[new], apiary[new], queen[new], year[new], values, int(count.sum()), n_left_out)


def _changes(rows: "Ints | Floats") -> Bools:
    """Where a column of (k, n) differs from the one before; the first always does."""
    new = np.ones(rows.shape[1], dtype=bool)
    new[1:] = (rows[:, 1:] != rows[:, :-1]).any(axis=0)
    return new


def _rows(scores: QuerySet[Score]) -> list[tuple[Any, ...]]:
    """colony, queen, trait, year, method, hours, value, part, whole."""
    numbers = {name: Cast(name, FloatField()) for name in ("hours", "value")}
    return raw_rows(
        scores.order_by()
        .annotate(year=YearOf("scored_on"), **{f"{name}_number": number for name, number in numbers.items()})
        .values_list(
            "colony_id", "queen_id", "trait_id", "year", "method", "hours_number", "value_number", "part", "whole"
        )
    )


def _apiaries(colony: Ints) -> Ints:
    """The apiary of each colony."""
    between = Colony.objects.filter(pk__gte=int(colony.min()), pk__lte=int(colony.max())).order_by("pk")
    columns = zip(*raw_rows(between.values_list("pk", "apiary_id")), strict=True)
    pk, apiary = (np.array(column, dtype=np.int64) for column in columns)
    return np.asarray(apiary[np.searchsorted(pk, colony)])


def _by_rule(
    keys: tuple[str, ...], trait: Ints, total: Floats, lowest: Floats, count: Ints, part: Ints, whole: Ints
) -> Floats:
    """Each group's result by the published rule of its trait, rounded half up to 0.001 in whole numbers."""
    value = np.zeros(len(trait))
    for column, key in enumerate(keys):
        at = trait == column
        match TRAITS[key].rule:
            case Rule.MEAN:
                value[at] = _halves_up(np.rint(total[at] * STEPS).astype(np.int64), count[at])
            case Rule.LOWEST:
                value[at] = lowest[at]
            case Rule.SUM:
                value[at] = np.rint(total[at] * STEPS) / STEPS
            case Rule.RATIO:
                value[at] = _halves_up(STEPS * TRAITS[key].factor * part[at], whole[at])
    return value


def _halves_up(part: Ints, whole: Ints) -> Floats:
    """part / whole in whole steps, a half goes away from zero; as a number of the unit."""
    return np.asarray(np.sign(part) * ((2 * np.abs(part) + whole) // (2 * whole)) / STEPS)


def _usual(trait: Ints, apiary: Ints, year: Ints, method: Ints, count: Ints) -> Bools:
    """Groups of the method used most in their trait, apiary and year; of two alike the first by name."""
    if not method.any():
        return np.ones(len(method), dtype=bool)
    _, place = np.unique(np.stack([trait, apiary, year]), axis=1, return_inverse=True)
    n_methods = int(method.max()) + 1
    used = np.zeros((int(place.max()) + 1, n_methods), dtype=np.int64)
    np.add.at(used, (place, method), count)
    return np.asarray(used.argmax(axis=1)[place] == method)
