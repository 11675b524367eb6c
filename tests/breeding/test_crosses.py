"""Predictions of crosses: relationships, viability, merit, and what is kept in the cache."""

import os
import subprocess
import sys

import pytest
from django.core.cache import cache
from django.db import connection
from django.test.utils import CaptureQueriesContext

from accounts.models import Member
from breeding.genetics.viability import viability_table
from breeding.models import EvaluationRun, Queen, QueenStatus, TraitValue
from breeding.queries import cross_kernel
from breeding.queries.crosses import CrossOptions, CrossPrediction, cross_grid, predict_crosses, predict_mixture
from breeding.services.matings import Share, mating_correct, mating_record
from breeding.services.traits import traits_make
from tests.factories import NOW, MemberFactory, QueenFactory

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def _empty_cache() -> None:
    cache.clear()
    cross_kernel.crosses_forget()


@pytest.fixture
def owner() -> Member:
    return MemberFactory()


def _queen(owner: Member, label: str, **fields: object) -> Queen:
    return QueenFactory(owner=owner, label=label, birth_year=None, **fields)


def _mated(queen: Queen, **mating: object) -> Queen:
    mating_record(queen, by=None, now=NOW, **{"kind": "open", **mating})  # type: ignore[arg-type]
    queen.refresh_from_db()
    return queen


def test_unrelated_sources_give_no_inbreeding_and_the_viability_of_open_stock(owner: Member) -> None:
    virgin, source = _queen(owner, "V"), _queen(owner, "S")
    [one] = predict_crosses(virgin, [source], None)
    assert (one.worker_inbreeding, one.merit, one.merit_sd, one.traits, one.of_daughters) == (0, None, None, {}, False)
    assert one.known_generations == 0
    assert one.viability == pytest.approx(19 / 20, abs=0.005)  # (N - 1) / N, 20 alleles
    assert one.viability_low <= one.viability <= one.viability_high
    assert (one.warning, one.is_close) == ("", False)


def test_drones_of_her_own_mother_are_close_and_warned_of(owner: Member) -> None:
    """F = f(daughter, mother) = 1/4; viability 0.75 - 0.25 / (N - 1) with many drones, Woyke's check value."""
    mother = _mated(_queen(owner, "M"), drones=500)
    virgin = _queen(owner, "V", mother=mother)
    [one] = predict_crosses(virgin, [mother], None, CrossOptions(drones=200))
    assert one.worker_inbreeding == pytest.approx(0.25)
    assert one.viability == pytest.approx(0.75 - 0.25 / 19, abs=0.006)
    assert (one.warning, one.is_close, one.empty_cells_in) == ("strong", True, 4)


def test_of_a_mated_queen_the_daughters_are_inseminated(owner: Member) -> None:
    """Daughter × drones of her mother: the same pedigree as the virgin above, though she is not there yet."""
    mother = _mated(_queen(owner, "M"), drones=500)
    assert mother.status == QueenStatus.MATED
    [one] = predict_crosses(mother, [mother], None)
    assert one.of_daughters
    assert one.worker_inbreeding == pytest.approx(0.25)


def test_sources_that_fathered_the_daughters_are_known_too(owner: Member) -> None:
    """Daughters of M × drones of P, inseminated with drones of P again: f = 1/2 f(P, P) = 1/4."""
    source = _mated(_queen(owner, "P"))
    mother = _mated(_queen(owner, "M"), kind="dpq", shares=[Share(source, 80)])
    stranger = _queen(owner, "S")
    again, fresh = predict_crosses(mother, [source, stranger], None)
    assert again.worker_inbreeding == pytest.approx(0.25)
    assert fresh.worker_inbreeding == 0


def test_merit_is_the_mean_of_both_parents(owner: Member) -> None:
    """One trait, weight 1: G0 = [[16, 1], [1, 7]], SD 5. Daughters vary with 1/4 + 1/4 (1 - 1/8) of 25 (8 drones)."""
    trait = traits_make(owner.cooperative, by=None, now=NOW)[0]
    run = EvaluationRun.objects.create(
        cooperative=owner.cooperative, number=1, made_at=NOW, records_until=NOW.date(), queens=3, records=1, solver={},
        parameters={
            "traits": [trait.key], "weights": {trait.key: 0.35}, "genetic_sd": {trait.key: 5.0},
            "G0": [[16.0, 1.0], [1.0, 7.0]],
        },
    )  # fmt: skip
    virgin, source, mated = _queen(owner, "V"), _queen(owner, "S"), _mated(_queen(owner, "M"))
    rows = ((virgin, 4, 2, None, None), (source, 8, -4, None, None), (mated, 1, 1, 7, 6))
    for queen, worker, queen_effect, as_mother, performance in rows:
        TraitValue.objects.create(
            run=run, queen=queen, trait=trait, worker=worker, queen_effect=queen_effect, performance=performance,
            total=worker + queen_effect, total_error=1, total_reliability=0.5, as_mother=as_mother,
        )  # fmt: skip
    [one] = predict_crosses(virgin, [source], run)
    outlook = one.traits[trait.key]
    assert (outlook.workers, outlook.colony, outlook.daughters) == (6, 6 + 2, (6 + 4) / 2)
    variance = 0.25 + 0.25 * (1 - 1 / 8)
    assert outlook.daughters_sd == pytest.approx(5 * variance**0.5)
    assert outlook.workers_sd == pytest.approx(4 * variance**0.5)
    assert one.merit == pytest.approx((6 + 4) / 2 / 5)
    assert one.merit_sd == pytest.approx(variance**0.5)
    mixture = predict_mixture(virgin, {source: 1.0}, run)
    assert mixture.merit == pytest.approx(one.merit)
    assert mixture.merit_sd == pytest.approx(one.merit_sd)
    assert mixture.traits[trait.key].workers_sd == pytest.approx(outlook.workers_sd)
    # Of the mated queen's colony: workers 6 - 1 = 5, so her daughters have 5 and 7 - 5 = 2.
    [of_daughters] = predict_crosses(mated, [source], run)
    assert of_daughters.merit == pytest.approx((7 + 4) / 2 / 5)
    found = of_daughters.traits[trait.key]
    assert (found.workers, found.colony, found.daughters) == (6.5, 6.5 + 2, (7 + 4) / 2)
    young = _queen(owner, "Y", mother=mated)
    assert predict_crosses(young, [source], run)[0].merit == of_daughters.merit
    [unknown] = predict_crosses(virgin, [_queen(owner, "U")], run)
    assert (unknown.merit, unknown.traits) == (None, {})


def test_known_sex_alleles_are_exact(owner: Member) -> None:
    """Both of her alleles in the source: one half lives; one: three quarters in the mean; none: all."""
    virgin, source = _queen(owner, "V"), _queen(owner, "S")
    for of_source, expected in ((("3", "7"), 0.5), (("7", "9"), 0.75), (("8", "9"), 1.0)):
        options = CrossOptions(genotypes={virgin.pk: ("3", "7"), source.pk: of_source})
        [one] = predict_crosses(virgin, [source], None, options)
        assert one.viability == expected
    mother = _mated(_queen(owner, "M"))
    options = CrossOptions(genotypes={mother.pk: ("3", "7"), source.pk: ("3", "7")})
    [daughter] = predict_crosses(mother, [source], None, options)
    assert 0.7 < daughter.viability < 0.78  # she has one of the two for sure, the other by chance


def test_a_pair_has_the_same_figures_in_every_table(owner: Member) -> None:
    mother = _mated(_queen(owner, "M"))
    virgin, other = _queen(owner, "V", mother=mother), _queen(owner, "W", mother=mother)
    source, far = _queen(owner, "S", mother=mother), _queen(owner, "F")
    grid = cross_grid([other, virgin, mother], [far, source], None)
    assert [[cell.mother_id for cell in row] for row in grid.cells] == [
        [other.pk] * 2, [virgin.pk] * 2, [mother.pk] * 2
    ]  # fmt: skip
    assert grid.cells[1][1] == predict_crosses(virgin, [source], None)[0]
    assert [cell.of_daughters for cell in grid.cells[2]] == [True, True]


def test_a_mixture_has_the_mean_inbreeding_of_its_sources(owner: Member) -> None:
    mother = _mated(_queen(owner, "M"))
    virgin, stranger = _queen(owner, "V", mother=mother), _queen(owner, "S")
    mixture = predict_mixture(virgin, {mother: 1, stranger: 1}, None)
    assert mixture.worker_inbreeding == pytest.approx(0.125)
    assert mixture.drone_queen_ids == (mother.pk, stranger.pk)


def test_the_same_question_is_simulated_once_and_anew_when_its_pedigree_changes(
    owner: Member, monkeypatch: pytest.MonkeyPatch
) -> None:
    runs: list[int] = []

    def counting(*args: object, **kwargs: object) -> object:
        runs.append(1)
        return viability_table(*args, **kwargs)  # type: ignore[arg-type]

    monkeypatch.setattr(cross_kernel, "viability_table", counting)
    mother = _mated(_queen(owner, "M"))
    virgin, source = _queen(owner, "V", mother=mother), _queen(owner, "S")
    first = predict_crosses(virgin, [source], None)
    assert predict_crosses(virgin, [source], None) == first
    assert len(runs) == 1
    assert predict_crosses(virgin, [_queen(owner, "T"), source], None)[1] == first[0]
    mating_correct(mother.mating, kind="dpq", shares=[Share(source, 80)], by=None, now=NOW)
    [changed] = predict_crosses(virgin, [source], None)
    assert len(runs) == 3
    assert changed.viability < first[0].viability


def test_a_mother_found_out_later_is_read_though_the_rest_is_remembered(owner: Member) -> None:
    mother = _mated(_queen(owner, "M"))
    virgin, source = _queen(owner, "V", mother=mother), _queen(owner, "S")
    with CaptureQueriesContext(connection) as first:
        [stranger] = predict_crosses(virgin, [source], None)
    with CaptureQueriesContext(connection) as again:
        assert predict_crosses(virgin, [source], None) == [stranger]
    assert (len(first), len(again)) == (5, 3)
    Queen.objects.filter(pk=source.pk).update(mother=mother)
    [sister] = predict_crosses(virgin, [source], None)
    assert (stranger.worker_inbreeding, sister.worker_inbreeding > 0.1) == (0, True)


def test_the_number_of_queries_does_not_grow_with_the_sources(owner: Member) -> None:
    founders = [_mated(_queen(owner, f"F{n}")) for n in range(6)]
    generation = founders
    for level in range(4):
        generation = [
            _mated(
                _queen(owner, f"G{level}-{n}", mother=generation[n % len(generation)]),
                kind="pool",
                shares=[Share(founders[n % 6], 50), Share(founders[(n + 1) % 6], 30)],
            )
            for n in range(10)
        ]
    mother = generation[0]
    predict_crosses(mother, [generation[1]], None)  # imports are not what is measured
    with CaptureQueriesContext(
        connection,
    ) as few:
        predict_crosses(mother, generation[1:3], None)
    cache.clear()
    with CaptureQueriesContext(connection) as many:
        predictions: list[CrossPrediction] = predict_crosses(mother, generation, None)
    assert len(predictions) == 10
    assert len(many) <= len(few) + 4


def test_pages_of_crosses_are_loaded_without_the_numerical_libraries() -> None:
    """The web process starts quickly: they come with the first question alone."""
    code = (
        "import django, sys; django.setup(); import breeding.views.crosses, breeding.views.contributions, "
        "breeding.views.population; print(sorted({'numpy', 'scipy', 'clarabel'} & set(sys.modules)))"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, env=dict(os.environ)
    )
    assert done.stdout.strip() == "[]"
