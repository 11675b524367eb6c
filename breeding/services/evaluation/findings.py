"""What a whole evaluation says of itself: the genetic trend, and its predictions held against later results."""

from collections.abc import Mapping
from typing import Any

import numpy as np

from breeding.genetics.evaluation import Evaluation, evaluate
from breeding.genetics.types import Floats, InputError
from breeding.genetics.validation import FEWEST_COLONIES, Held, Trend, genetic_trend, held_against
from breeding.services.evaluation.data import Data
from breeding.services.evaluation.parameters import UsedParameters

MERIT = "merit"
# Larger populations are solved without a factor, from which alone the error of a trend comes.
MOST_EQUATIONS = 200_000


def findings_of(
    evaluation: Evaluation, data: Data, used: UsedParameters, *, weights: Mapping[str, float]
) -> dict[str, Any]:
    """Both findings as plain JSON: `trend` by trait key and `merit`, `held` by trait key with its `held_year`."""
    found: dict[str, Any] = {"trend": _trends(evaluation, data)}
    year, held = _held(data, used, weights)
    if year is not None:
        found |= {"held_year": year, "held": held}
    return found


def _trends(evaluation: Evaluation, data: Data) -> dict[str, Any]:
    if evaluation.prediction is None or evaluation.solver.equations > MOST_EQUATIONS:
        return {}
    contrasts: list[Floats] = [np.repeat(np.eye(len(evaluation.traits))[k], 2) for k in range(len(evaluation.traits))]
    keys = list(evaluation.traits)
    if evaluation.merit_weights is not None:
        keys.append(MERIT)
        contrasts.append(evaluation.merit_weights)
    reference = data.reference if len(data.reference) else None
    trends = genetic_trend(evaluation.prediction, data.stock.birth_year, contrasts, reference=reference)
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


def _held(data: Data, used: UsedParameters, weights: Mapping[str, float]) -> tuple[int | None, dict[str, Any]]:
    """The last year with enough results is left out, foretold from the years before, and compared."""
    years, counts = np.unique(data.results.year, return_counts=True)
    enough = years[counts >= FEWEST_COLONIES]
    if len(enough) < 2:
        return None, {}
    last = int(enough[-1])
    earlier, later = data.results.year < last, np.flatnonzero(data.results.year == last)
    try:
        model = data.model(used.spec, earlier)
        before = evaluate(data.table, model, used.spec, used.parameters, weights=weights)
    except InputError:
        return None, {}  # without that year the data say too little: nothing is claimed
    queens = data.rows[later]
    held: dict[str, Any] = {}
    for k, trait in enumerate(before.traits):
        found = held_against(
            before.performance.value[queens, k],
            data.results.values[later, k],
            place=data.levels.code[later],
            family=data.stock.plan.dam[queens],
        )
        if found is not None:
            held[trait] = _held_json(found)
    return last, held


def _held_json(found: Held) -> dict[str, Any]:
    return {name: getattr(found, name) for name in Held.__slots__}
