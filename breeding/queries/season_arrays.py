"""Season results of a whole cooperative as arrays: the database adds up, numpy applies each trait's rule.

For one colony's page `records.season_results` does the same with decimals; tests hold both against each other.
"""

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from django.db.models import Count, F, FloatField, Func, IntegerField, Min, QuerySet, Sum
from django.db.models.functions import Cast, Coalesce

from breeding.genetics.types import Bools, Floats, Ints
from breeding.models import Score, Trait
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


def season_arrays(
    traits: Sequence[Trait], *, first_day: dt.date | None = None, last_day: dt.date | None = None
) -> SeasonArrays:
    """Results of the given traits from the scores between both days (included). One query."""
    keys = tuple(trait.key for trait in traits)
    scores = Score.objects.filter(
        trait__in=[trait.pk for trait in traits], replaced_by__isnull=True, withdrawn_at__isnull=True
    )
    if first_day is not None:
        scores = scores.filter(scored_on__gte=first_day)
    if last_day is not None:
        scores = scores.filter(scored_on__lte=last_day)
    rows = _summed(scores)
    if not rows:
        none = np.zeros(0, dtype=np.int64)
        return SeasonArrays(keys, none, none, none, none, np.zeros((0, len(keys))))
    columns = list(zip(*rows, strict=True))
    method_of = {method: k for k, method in enumerate(sorted(set(columns[5])))}
    colony, apiary, queen, trait, year = (np.array(column, dtype=np.int64) for column in columns[:5])
    method = np.array([method_of[text] for text in columns[5]], dtype=np.int64)
    hours, total, lowest = (np.array(columns[at], dtype=float) for at in (6, 8, 9))
    count, part, whole = (np.array(columns[at], dtype=np.int64) for at in (7, 10, 11))
    column_of = {trait_.pk: k for k, trait_ in enumerate(traits)}
    trait = np.array([column_of[pk] for pk in trait.tolist()], dtype=np.int64)
    value = _by_rule(keys, trait, total, lowest, count, part, whole)
    usual = _usual(trait, apiary, year, method, count)
    n_left_out = int(count[~usual].sum())
    # Of several reading times the one used most counts, of two alike the longer one: it comes last and stays.
    order = np.lexsort((hours, count, year, queen, apiary, colony))
    order = order[usual[order]]
    unit: Ints = np.stack([colony[order], apiary[order], queen[order], year[order]])
    new = np.ones(len(order), dtype=bool)
    new[1:] = (unit[:, 1:] != unit[:, :-1]).any(axis=0)
    at = np.cumsum(new) - 1
    values = np.full((int(new.sum()), len(keys)), np.nan)
    values[at, trait[order]] = value[order]
    colonies, apiaries, queens, years = unit[:, new]
    return SeasonArrays(keys, colonies, apiaries, queens, years, values, int(count.sum()), n_left_out)


def _summed(scores: QuerySet[Score]) -> list[tuple[Any, ...]]:
    """colony, apiary, queen, trait, year, method, hours, count, sum, lowest, part, whole."""
    value = Cast("value", FloatField())
    return list(
        scores.order_by()
        .annotate(
            year=YearOf("scored_on"),
            apiary=F("colony__apiary_id"),
            reading=Coalesce(Cast("hours", FloatField()), 0.0),
        )
        .values_list("colony_id", "apiary", "queen_id", "trait_id", "year", "method", "reading")
        .annotate(
            count=Count("pk"),
            total=Sum(value),
            lowest=Min(value),
            parts=Coalesce(Sum("part"), 0),
            wholes=Coalesce(Sum("whole"), 0),
        )
    )


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
