"""Predictions held against later results, and trends, on data whose truth is known."""

from dataclasses import replace

import numpy as np
import pytest

from breeding.genetics.evaluation import Evaluation, evaluate
from breeding.genetics.nodes import build_nodes
from breeding.genetics.parameters import Heritabilities, components_of, joined_parameters
from breeding.genetics.pedigree import DroneShare, Mating, Open, Pedigree, Pool, Queen
from breeding.genetics.records import ModelSpec, Parameters, Record
from breeding.genetics.simulate import RecordedColony, Truth, simulate_records, simulate_values
from breeding.genetics.types import InputError
from breeding.genetics.validation import Held, by_birth_year, genetic_trend, held_against

TRUE = joined_parameters(["honey"], [components_of(100.0, Heritabilities(0.3, 0.2, -0.3))])
INFLATED = joined_parameters(["honey"], [components_of(100.0, Heritabilities(0.55, 0.40, -0.3))])
MODEL = ModelSpec(fixed=("place",))
WEIGHTS = {"honey": 1.0}
YEARS, FAMILIES, SISTERS, PLACES = 5, 14, 10, 4


def simulated(seed: int) -> tuple[Pedigree, Truth, list[Record]]:
    """Sisters tested side by side, year after year, bred from at random."""
    rng = np.random.default_rng(seed)
    queens: list[Queen] = []
    matings: dict[str, Mating] = {}
    for year in range(YEARS):
        older = [q.id for q in queens if q.id.startswith(f"y{year - 1}")]
        for family in range(FAMILIES):
            dam = str(rng.choice(older)) if older else None
            sources = [str(s) for s in rng.choice(older, 2, replace=False)] if older else []
            for sister in range(SISTERS):
                id_ = f"y{year}f{family}s{sister}"
                queens.append(Queen(id_, dam))
                shares = tuple(DroneShare(s, 1, 4) for s in sources)
                matings[id_] = Pool(shares) if shares else Open(12)
    pedigree = Pedigree(queens, matings)
    truth = simulate_values(build_nodes(pedigree), TRUE, np.random.default_rng(seed + 1))
    tested = [RecordedColony(q.id, {"place": f"{rng.integers(PLACES)}/{q.id[1]}"}) for q in queens]
    records = simulate_records(truth, TRUE, tested, means={"honey": 40.0}, factor_sd={"place": {"honey": 8.0}}, rng=rng)
    return pedigree, truth, records


def last_year_left_out(seed: int, parameters: Parameters) -> Held:
    pedigree, _truth, records = simulated(seed)
    last = f"/{YEARS - 1}"
    earlier = [record for record in records if not record.fixed["place"].endswith(last)]
    later = [record for record in records if record.fixed["place"].endswith(last)]
    run = evaluate(pedigree, earlier, MODEL, parameters, weights=WEIGHTS)
    dam = {queen.id: queen.dam for queen in pedigree.queens}
    _, family = np.unique([dam[record.queen] for record in later], return_inverse=True)
    _, place = np.unique([record.fixed["place"] for record in later], return_inverse=True)
    found = held_against(
        np.array([run.performance.value[run.row[record.queen], 0] for record in later]),
        np.array([record.values["honey"] for record in later], dtype=float),
        place=place,
        family=family,
    )
    assert found is not None
    return found


def test_results_follow_predictions_one_to_one_when_the_variances_are_right() -> None:
    found = [last_year_left_out(seed, TRUE) for seed in range(100, 112)]
    slopes = np.array([one.slope for one in found])
    assert abs(slopes.mean() - 1) < 3 * slopes.std(ddof=1) / np.sqrt(len(slopes))
    # The errors shown are of the size of the real scatter of the slopes.
    assert 0.5 < np.mean([one.slope_error for one in found]) / slopes.std(ddof=1) < 2
    assert np.mean([one.correlation for one in found]) > 0.15
    assert {(one.colonies, one.places) for one in found} == {(FAMILIES * SISTERS, PLACES)}


def test_inflated_heritability_shows_as_a_slope_below_one() -> None:
    pairs = [(last_year_left_out(seed, INFLATED), last_year_left_out(seed, TRUE)) for seed in range(100, 112)]
    inflated, right = (np.array([pair[k].slope for pair in pairs]) for k in range(2))
    less = right - inflated  # the same data: their luck is the same
    assert less.mean() > 3 * less.std(ddof=1) / np.sqrt(len(less))
    assert inflated.mean() < 1


def test_a_hand_worked_case() -> None:
    # Two places of six; deviations of the prediction are -1 and 1, the result follows with slope 2 in the first place
    # and with slope 1 in the second: slope 1.5, sum(py) 18, sum(p2) 12, sum(y2) 30.
    p = np.array([9.0, 11, 9, 11, 9, 11, 1, 3, 1, 3, 1, 3])
    y = np.array([48.0, 52, 48, 52, 48, 52, 9, 11, 9, 11, 9, 11])
    place = np.repeat([7, 3], 6)
    found = held_against(p, y, place=place, family=place)
    assert found is not None
    assert (found.colonies, found.places, found.families) == (12, 2, 0)
    assert found.slope == pytest.approx(1.5)
    assert found.correlation == pytest.approx(18 / np.sqrt(12 * 30))
    # Two families are too few to leave out: residual (30 - 1.5 * 18) / 9 over 12.
    assert found.slope_error == pytest.approx(np.sqrt(3 / 9 / 12))
    alone = held_against(p, y, place=place, family=np.full(12, -1))
    assert alone is not None
    assert alone.families == 12
    left = np.array([16 / 11] * 6 + [17 / 11] * 6)
    assert alone.slope_error == pytest.approx(np.sqrt(11 / 12 * np.sum((left - left.mean()) ** 2)))


def test_too_little_to_say_anything_is_none_and_shapes_are_checked() -> None:
    numbers = np.arange(9.0)
    one = np.zeros(9, dtype=np.int64)
    assert held_against(numbers, numbers, place=one, family=one) is None
    twelve = np.arange(12.0)
    assert held_against(twelve, twelve, place=np.arange(12), family=np.arange(12)) is None
    same = np.zeros(12, dtype=np.int64)
    assert held_against(np.full(12, 4.2), twelve, place=same, family=same) is None
    gaps = np.where(twelve < 4, np.nan, twelve)
    assert held_against(gaps, twelve, place=same, family=same) is None
    with pytest.raises(InputError, match="place"):
        held_against(twelve, twelve, place=one, family=same)


def born(run: Evaluation) -> "np.ndarray[tuple[int], np.dtype[np.int64]]":
    return np.array([2020 + int(id_[1]) for id_ in run.queens])


def test_the_trend_follows_the_truth_within_its_error() -> None:
    away, changes = [], []
    for seed in range(300, 324):
        pedigree, truth, records = simulated(seed)
        run = evaluate(pedigree, records, MODEL, TRUE, weights=WEIGHTS)
        year = born(run)
        reference = np.flatnonzero(year == 2024)
        assert run.prediction is not None
        [trend] = genetic_trend(run.prediction, year, [np.ones(2)], reference=reference)
        own = np.array([truth.total("honey")[id_] for id_ in run.queens])
        true = np.array([own[year == one].mean() for one in trend.years]) - own[reference].mean()
        assert trend.years.tolist() == [2020, 2021, 2022, 2023, 2024]
        assert trend.queens.tolist() == [FAMILIES * SISTERS] * YEARS
        assert trend.value[-1] == pytest.approx(0, abs=1e-9)
        assert trend.error[-1] == pytest.approx(0, abs=1e-7)
        assert trend.change is not None
        assert trend.change_error is not None
        away += ((trend.value - true)[:-1] / trend.error[:-1]).tolist()
        true_change = float((trend.years - 2022) @ true) / 10
        changes.append((trend.change - true_change) / trend.change_error)
    # Each trend has years that hang together; standardised differences scatter as a unit normal does.
    assert 0.5 < np.sqrt(np.mean(np.square(away))) < 1.6
    assert np.abs(np.mean(changes)) < 3 / np.sqrt(len(changes))


def test_the_error_of_a_year_with_one_queen_is_her_own() -> None:
    pedigree, _truth, records = simulated(300)
    run = evaluate(pedigree, records, MODEL, TRUE, weights=WEIGHTS)
    year = np.zeros(len(run.queens), dtype=np.int64)
    rows = [0, 250, 690]
    year[rows] = [2001, 2002, 2003]
    assert run.prediction is not None
    total, queen = genetic_trend(run.prediction, year, [np.ones(2), np.array([0.0, 1.0])])
    np.testing.assert_allclose(total.value, run.total.value[rows, 0], rtol=1e-10)
    np.testing.assert_allclose(total.error, run.total.error[rows, 0], rtol=1e-8)
    np.testing.assert_allclose(queen.error, run.queen.error[rows, 0], rtol=1e-8)
    assert genetic_trend(run.prediction, np.zeros_like(year), [np.ones(2)]) == []
    single = genetic_trend(run.prediction, np.where(year == 2001, year, 0), [np.ones(2)])[0]
    assert (single.change, single.change_error) == (None, None)


def test_effects_that_the_model_leaves_out_have_no_trend() -> None:
    pedigree, _truth, records = simulated(301)
    G0 = np.array([[0.0, 0.0], [0.0, 45.0]])
    run = evaluate(pedigree, records, replace(MODEL, effects="queen"), replace(TRUE, G0=G0), weights=WEIGHTS)
    assert run.prediction is not None
    worker, queen = genetic_trend(run.prediction, born(run), [np.array([1.0, 0.0]), np.array([0.0, 1.0])])
    assert worker.value.tolist() == worker.error.tolist() == [0.0] * YEARS
    assert (queen.error > 0).all()


def test_the_middle_range_by_birth_year() -> None:
    values = np.array([0.0, 0.1, 0.2, 0.3, 0.4, 5.0, np.nan, 9.0])
    year = np.array([2021, 2021, 2021, 2021, 2021, 2019, 2019, 0])
    found = by_birth_year(values, year)
    assert (found.years.tolist(), found.queens.tolist()) == ([2019, 2021], [1, 5])
    np.testing.assert_allclose(found.mean, [5.0, 0.2])
    np.testing.assert_allclose([found.low[1], found.high[1]], [0.04, 0.36])
    none = by_birth_year(values, year, among=np.zeros(8, dtype=bool))
    assert (none.years.tolist(), none.low.tolist()) == ([], [])
