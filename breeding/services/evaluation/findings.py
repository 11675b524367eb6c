"""What a whole evaluation says of itself: the genetic trend, and its predictions held against later results."""

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from breeding.genetics.evaluation import Evaluation, evaluate
from breeding.genetics.pedigree import Pedigree
from breeding.genetics.records import ModelSpec, Parameters, Record
from breeding.genetics.types import Floats, InputError, Ints
from breeding.genetics.validation import FEWEST_COLONIES, Held, Trend, genetic_trend, held_against
from breeding.queries.connection import FACTOR

MERIT = "merit"
# Larger populations are solved without a factor, from which alone the error of a trend comes.
MOST_EQUATIONS = 200_000


def findings_of(
    evaluation: Evaluation,
    pedigree: Pedigree,
    records: Sequence[Record],
    *,
    spec: ModelSpec,
    parameters: Parameters,
    weights: Mapping[str, float],
    birth_years: Mapping[str, int],
    reference: Sequence[str],
) -> dict[str, Any]:
    """Both findings as plain JSON: `trend` by trait key and `merit`, `held` by trait key with its `held_year`."""
    found: dict[str, Any] = {"trend": _trends(evaluation, birth_years, reference)}
    year, held = _held(pedigree, records, spec, parameters, weights)
    if year is not None:
        found |= {"held_year": year, "held": held}
    return found


def _trends(evaluation: Evaluation, birth_years: Mapping[str, int], reference: Sequence[str]) -> dict[str, Any]:
    if evaluation.prediction is None or evaluation.solver.equations > MOST_EQUATIONS:
        return {}
    born = np.array([birth_years.get(queen, 0) for queen in evaluation.queens], dtype=np.int64)
    contrasts: list[Floats] = [np.repeat(np.eye(len(evaluation.traits))[k], 2) for k in range(len(evaluation.traits))]
    keys = list(evaluation.traits)
    if evaluation.merit_weights is not None:
        keys.append(MERIT)
        contrasts.append(evaluation.merit_weights)
    zero: Ints = np.array([evaluation.row[queen] for queen in reference], dtype=np.int64)
    trends = genetic_trend(evaluation.prediction, born, contrasts, reference=zero if len(zero) else None)
    return {key: _trend_json(trend) for key, trend in zip(keys, trends, strict=bool(trends))}


def _trend_json(trend: Trend) -> dict[str, Any]:
    return {
        "years": trend.years.tolist(),
        "queens": trend.queens.tolist(),
        "value": trend.value.tolist(),
        "error": trend.error.tolist(),
        "change": trend.change,
        "change_error": trend.change_error,
    }


def _held(
    pedigree: Pedigree,
    records: Sequence[Record],
    spec: ModelSpec,
    parameters: Parameters,
    weights: Mapping[str, float],
) -> tuple[int | None, dict[str, Any]]:
    """The last year with enough results is left out, foretold from the years before, and compared."""
    years = np.array([year_of(record) for record in records])
    enough = [int(year) for year in np.unique(years) if (years == year).sum() >= FEWEST_COLONIES]
    if len(enough) < 2:
        return None, {}
    last = enough[-1]
    earlier = [record for record, year in zip(records, years, strict=True) if year < last]
    later = [record for record, year in zip(records, years, strict=True) if year == last]
    try:
        before = evaluate(pedigree, earlier, spec, parameters, weights=weights)
    except InputError:
        return None, {}  # without that year the data say too little: nothing is claimed
    dams = {queen.id: queen.dam or f"alone {queen.id}" for queen in pedigree.queens}
    _, family = np.unique([dams[record.queen] for record in later], return_inverse=True)
    _, place = np.unique([record.fixed[FACTOR] for record in later], return_inverse=True)
    rows = [before.row[record.queen] for record in later]
    held: dict[str, Any] = {}
    for k, trait in enumerate(before.traits):
        results = np.array([np.nan if (v := record.values.get(trait)) is None else v for record in later])
        found = held_against(before.performance.value[rows, k], results, place=place, family=family)
        if found is not None:
            held[trait] = _held_json(found)
    return last, held


def _held_json(found: Held) -> dict[str, Any]:
    return {name: getattr(found, name) for name in Held.__slots__}


def year_of(record: Record) -> int:
    """Calendar year of a record, from the level of its apiary-year."""
    return int(record.fixed[FACTOR].rsplit("/", 1)[-1])
