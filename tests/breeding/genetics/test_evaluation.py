"""The facade: contents of a run, reference stock, places, notes."""

from dataclasses import replace

import numpy as np
import pytest

from breeding.genetics.colony_model import Levels, colony_model_of_arrays
from breeding.genetics.evaluation import evaluate
from breeding.genetics.nodes import build_nodes
from breeding.genetics.parameters import (
    STARTERS,
    components_of,
    genetic_sd,
    heritabilities_of,
    starter_parameters,
)
from breeding.genetics.pedigree import DroneShare, Mating, OneSource, Open, Pedigree, Pool, Queen
from breeding.genetics.records import ModelSpec, Parameters, Record
from breeding.genetics.simulate import RecordedColony, simulate_records, simulate_values
from breeding.genetics.types import InputError

TRAITS = starter_parameters({"honey": ("honey", 64.0), "calm": ("calmness", 0.5)})


def population(seed, *, years=3, families=10, sisters=8):
    """Queens of several years: each from one of last year's queens, inseminated with a pool."""
    rng = np.random.default_rng(seed)
    queens: list[Queen] = []
    matings: dict[str, Mating] = {}
    colonies: list[RecordedColony] = []
    older: list[str] = []
    for year in range(years):
        born = []
        for f in range(families):
            dam = rng.choice(older) if older else None
            for s in range(sisters):
                id_ = f"y{year}f{f}s{s}"
                born.append(id_)
                queens.append(Queen(id_, None if dam is None else str(dam)))
                if older:
                    sources = rng.choice(older, 2, replace=False)
                    matings[id_] = Pool(tuple(DroneShare(str(p), 1, 4) for p in sources))
                else:
                    matings[id_] = Open(12)
                colonies.append(RecordedColony(id_, {"place": f"p{rng.integers(6)}/{year}"}))
        older = born
    return Pedigree(queens, matings), colonies


@pytest.fixture(scope="module")
def run():
    pedigree, colonies = population(1)
    rng = np.random.default_rng(2)
    truth = simulate_values(build_nodes(pedigree), TRAITS, rng)
    records = simulate_records(
        truth,
        TRAITS,
        colonies,
        means={"honey": 30.0, "calm": 3.0},
        factor_sd={"place": {"honey": 6.0, "calm": 0.2}},
        missing=0.1,
        rng=rng,
    )
    steps = []
    found = evaluate(
        pedigree,
        records,
        ModelSpec(("place",)),
        TRAITS,
        weights={"honey": 0.6, "calm": 0.4},
        progress=lambda step, part: steps.append((step, part)),
    )
    return pedigree, records, truth, found, steps


def test_progress_is_told_in_order(run):
    parts = [part for _, part in run[4]]
    assert parts == sorted(parts)
    assert (parts[0], parts[-1]) == (0.0, 1.0)


def test_predicted_values_agree_with_the_truth_as_well_as_their_reliabilities_say(run):
    _, _, truth, found, _ = run
    for trait in TRAITS.traits:
        k = found.traits.index(trait)
        true = np.array([truth.total(trait)[q] for q in found.queens])
        error = true - found.total.value[:, k]
        z = error / found.total.error[:, k]
        assert 0.8 < z.std() < 1.2
        accuracy = np.corrcoef(true, found.total.value[:, k])[0, 1]
        assert accuracy > 0.4
    assert found.solver.relative_residual < 1e-12


def test_every_queen_has_all_values_and_merit_is_their_weighted_sum(run):
    _, records, _, found, _ = run
    sd = genetic_sd(TRAITS)
    for id_ in found.queens[::17]:
        honey, calm, merit = found.trait(id_, "honey"), found.trait(id_, "calm"), found.merit(id_)
        expected = 0.6 * honey.total.value / sd["honey"] + 0.4 * calm.total.value / sd["calm"]
        assert merit.as_drone_source.value == pytest.approx(expected)
        assert honey.total.value == pytest.approx(honey.worker.value + honey.queen.value)
        assert honey.records == sum(r.queen == id_ and r.values["honey"] is not None for r in records)
        for estimate in (honey.worker, honey.total, honey.as_mother, honey.performance, merit.as_mother):
            assert 0 <= estimate.reliability < 1
            assert estimate.error > 0


def test_reference_stock_has_mean_zero_and_differences_stay(run):
    pedigree, records, _, found, _ = run
    stock = [q for q in found.queens if q.startswith("y2")]
    other = evaluate(
        pedigree, records, ModelSpec(("place",)), TRAITS, weights={"honey": 0.6, "calm": 0.4}, reference=stock
    )
    rows = [other.row[q] for q in stock]
    np.testing.assert_allclose(other.total.value[rows].mean(axis=0), 0, atol=1e-12)
    np.testing.assert_allclose(other.merit_drones.value[rows].mean(), 0, atol=1e-12)
    for name in ("worker", "total", "as_mother", "performance", "merit_mother"):
        moved = getattr(other, name).value - getattr(found, name).value
        np.testing.assert_allclose(moved, np.broadcast_to(moved[0], moved.shape), atol=1e-12)
        np.testing.assert_array_equal(getattr(other, name).error, getattr(found, name).error)


def test_likely_places_cover_the_true_places(run):
    _, _, truth, found, _ = run
    stock = [q for q in found.queens if q.startswith("y2")]
    places = found.likely_places(stock, criterion="drones", rng=np.random.default_rng(3), draws=1000)
    sd = genetic_sd(TRAITS)
    merit = {q: 0.6 * truth.total("honey")[q] / sd["honey"] + 0.4 * truth.total("calm")[q] / sd["calm"] for q in stock}
    order = sorted(stock, key=merit.__getitem__, reverse=True)
    held = [places[q].best <= i + 1 <= places[q].worst for i, q in enumerate(order)]
    assert 0.8 < np.mean(held) < 0.98
    assert all(1 <= p.best <= p.worst <= p.of == len(stock) for p in places.values())
    assert sum(p.worst - p.best for p in places.values()) < 0.95 * len(stock) ** 2
    again = found.likely_places(stock, criterion="drones", rng=np.random.default_rng(3), draws=1000)
    assert again == places


def test_places_by_mother_leave_out_queens_without_a_mating():
    pedigree = Pedigree([Queen("A"), Queen("B"), Queen("V", "A")], {"A": OneSource("B", 8), "B": Open(12)})
    records = [Record("A", {"honey": 30.0, "calm": 3.0}), Record("B", {"honey": 20.0, "calm": 2.0})]
    found = evaluate(pedigree, records, ModelSpec(), TRAITS, weights={"honey": 1})
    places = found.likely_places(["A", "B", "V"], criterion="mother", rng=np.random.default_rng(1))
    assert places.keys() == {"A", "B"}
    assert found.trait("V", "honey").as_mother is None
    assert found.merit("V").performance is None
    with pytest.raises(InputError, match="unknown queen"):
        found.likely_places(["Z"], criterion="mother", rng=np.random.default_rng(1))


def test_notes_tell_when_two_effects_can_hardly_be_told_apart(run):
    assert run[3].notes == ()
    pedigree = Pedigree([Queen(f"Q{i}") for i in range(12)], {f"Q{i}": Open(12) for i in range(12)})
    found = evaluate(pedigree, [Record("Q1", {"honey": 3.0})], ModelSpec(), TRAITS, weights={"honey": 1})
    assert any("1 of 12 colonies" in note for note in found.notes)
    assert any("under control" in note for note in found.notes)


@pytest.mark.parametrize(
    ("more", "path"),
    [
        ({"weights": {"wax": 1.0}}, "weights.wax"),
        ({"weights": {"honey": 0.0}}, "weights"),
        ({"weights": {"honey": 1.0}, "reference": ["Z"]}, "reference[0]"),
    ],
)
def test_impossible_weights_and_references_are_refused(run, more, path):
    pedigree, records, *_ = run
    with pytest.raises(InputError) as refused:
        evaluate(pedigree, records, ModelSpec(("place",)), TRAITS, **more)
    assert refused.value.path == path


@pytest.mark.parametrize("name", sorted(STARTERS))
def test_starter_sets_give_back_their_heritabilities(name):
    components = components_of(25.0, STARTERS[name])
    found = heritabilities_of(components)
    assert found.worker == pytest.approx(STARTERS[name].worker)
    assert found.queen == pytest.approx(STARTERS[name].queen)
    assert found.correlation == pytest.approx(STARTERS[name].correlation)
    assert components.residual > 0


def test_starters_refuse_what_leaves_no_residual():
    with pytest.raises(InputError, match="residual"):
        components_of(1.0, replace(STARTERS["honey"], worker=0.7, queen=0.4, correlation=0.0))
    with pytest.raises(InputError, match="unknown starter"):
        starter_parameters({"wax": ("wax", 2.0)})
    with pytest.raises(InputError, match="above 0"):
        components_of(0.0, STARTERS["honey"])


def test_arrays_give_what_ids_give():
    pedigree, tested = population(11, years=3, families=4, sisters=5)
    rng = np.random.default_rng(2)
    table = build_nodes(pedigree)
    queens = np.array([table.layout.index[colony.queen] for colony in tested])
    y = rng.normal(20.0, 4.0, (len(tested), 2))
    y[::7, 1] = np.nan
    records = [
        Record(colony.queen, {"honey": a, "calm": None if np.isnan(b) else b}, colony.fixed, {"feed": float(i % 5)})
        for i, (colony, (a, b)) in enumerate(zip(tested, y.tolist(), strict=True))
    ]
    spec = ModelSpec(("place",), ("feed",))
    at = Parameters(("honey", "calm"), np.diag([8.0, 5.0, 3.0, 2.0]) - 0.5, np.diag([9.0, 6.0]))
    weights = {"honey": 1.0, "calm": 0.5}
    by_ids = evaluate(pedigree, records, spec, at, weights=weights)
    arrays = colony_model_of_arrays(
        table, at.traits, queens, y, spec,
        factors={"place": Levels.of([colony.fixed["place"] for colony in tested])},
        covariates={"feed": np.arange(len(tested)) % 5.0},
    )  # fmt: skip
    by_arrays = evaluate(table, arrays, spec, at, weights=weights)
    for name in ("worker", "queen", "total", "as_mother", "performance", "merit_drones", "merit_mother"):
        for part in ("value", "error", "reliability"):
            np.testing.assert_array_equal(getattr(getattr(by_ids, name), part), getattr(getattr(by_arrays, name), part))
    assert by_ids.fixed == by_arrays.fixed
    assert by_ids.queens == by_arrays.queens
    np.testing.assert_array_equal(by_ids.records, by_arrays.records)
