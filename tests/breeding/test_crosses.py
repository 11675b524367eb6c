"""Predictions of crosses: relationships, viability, merit, and what is kept in the cache."""

import time

import pytest
from django.core.cache import cache
from django.db import connection
from django.test.utils import CaptureQueriesContext

from accounts.models import Member
from breeding.genetics.viability import brood_viability
from breeding.models import EvaluationRun, Queen, QueenStatus, TraitValue
from breeding.queries import crosses as rooms
from breeding.queries.crosses import CrossPrediction, predict_crosses, predict_mixture
from breeding.services.matings import Share, mating_correct, mating_record
from breeding.services.traits import traits_make
from tests.factories import NOW, MemberFactory, QueenFactory

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def _empty_cache() -> None:
    cache.clear()


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
    assert (one.worker_inbreeding, one.merit, one.traits, one.of_daughters) == (0, None, {}, False)
    assert one.viability == pytest.approx(19 / 20, abs=0.005)  # (N - 1) / N, 20 alleles
    assert one.viability_low <= one.viability <= one.viability_high
    assert (one.warning, one.is_close) == ("", False)


def test_drones_of_her_own_mother_are_close_and_warned_of(owner: Member) -> None:
    """F = f(daughter, mother) = 1/4; viability 0.75 - 0.25 / (N - 1) with many drones, Woyke's check value."""
    mother = _mated(_queen(owner, "M"), drones=500)
    virgin = _queen(owner, "V", mother=mother)
    [one] = predict_crosses(virgin, [mother], None, drones=200)
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
    trait = traits_make(owner.cooperative, by=None, now=NOW)[0]
    run = EvaluationRun.objects.create(
        cooperative=owner.cooperative, number=1, made_at=NOW, records_until=NOW.date(), queens=3, records=1,
        parameters={"traits": [trait.key], "weights": {trait.key: 0.35}, "genetic_sd": {trait.key: 5.0}}, solver={},
    )  # fmt: skip
    virgin, source, mated = _queen(owner, "V"), _queen(owner, "S"), _mated(_queen(owner, "M"))
    for queen, worker, queen_effect, as_mother in ((virgin, 4, 2, None), (source, 8, -4, None), (mated, 1, 1, 7)):
        TraitValue.objects.create(
            run=run, queen=queen, trait=trait, worker=worker, queen_effect=queen_effect,
            total=worker + queen_effect, total_error=1, total_reliability=0.5, as_mother=as_mother,
        )  # fmt: skip
    [one] = predict_crosses(virgin, [source], run)
    assert one.traits == {trait.key: pytest.approx((6 + 4) / 2)}
    assert one.merit == pytest.approx((6 + 4) / 2 / 5)
    [of_daughters] = predict_crosses(mated, [source], run)
    assert of_daughters.merit == pytest.approx((7 + 4) / 2 / 5)
    young = _queen(owner, "Y", mother=mated)
    assert predict_crosses(young, [source], run)[0].merit == of_daughters.merit
    [unknown] = predict_crosses(virgin, [_queen(owner, "U")], run)
    assert (unknown.merit, unknown.traits) == (None, {})


def test_a_mixture_has_the_mean_inbreeding_of_its_sources(owner: Member) -> None:
    mother = _mated(_queen(owner, "M"))
    virgin, stranger = _queen(owner, "V", mother=mother), _queen(owner, "S")
    mixture = predict_mixture(virgin, [mother, stranger], None)
    assert mixture.worker_inbreeding == pytest.approx(0.125)
    assert mixture.drone_queen_ids == (mother.pk, stranger.pk)


def test_a_pair_is_simulated_once_and_anew_when_its_pedigree_changes(
    owner: Member, monkeypatch: pytest.MonkeyPatch
) -> None:
    runs: list[int] = []

    def counting(*args: object, **kwargs: object) -> object:
        runs.append(1)
        return brood_viability(*args, **kwargs)  # type: ignore[arg-type]

    monkeypatch.setattr(rooms, "brood_viability", counting)
    mother = _mated(_queen(owner, "M"))
    virgin, source = _queen(owner, "V", mother=mother), _queen(owner, "S")
    first = predict_crosses(virgin, [source], None)
    assert predict_crosses(virgin, [source], None) == first
    assert predict_crosses(virgin, [_queen(owner, "T"), source], None)[1] == first[0]
    assert len(runs) == 2
    mating_correct(mother.mating, kind="dpq", shares=[Share(source, 80)], by=None, now=NOW)
    [changed] = predict_crosses(virgin, [source], None)
    assert len(runs) == 3
    assert changed.viability < first[0].viability


def test_ten_sources_are_quick_and_their_number_of_queries_does_not_grow(owner: Member) -> None:
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
    started = time.process_time()
    with CaptureQueriesContext(connection) as many:
        predictions: list[CrossPrediction] = predict_crosses(mother, generation, None)
    seconds = time.process_time() - started
    assert len(predictions) == 10
    assert len(many) <= len(few) + 4
    assert seconds < 2  # of this process alone; about 0.3 on one core
