"""The pedigree in arrays is the pedigree of plain dataclasses: same relationships for every kind of mating."""

import datetime as dt

import numpy as np
import pytest

from breeding.genetics.nodes import build_nodes, node_table
from breeding.genetics.relationship import relationship_matrix
from breeding.models import Queen, SemenBatch, SemenBatchShare
from breeding.queries.pedigree import pedigree_of_cooperative
from breeding.queries.pedigree_arrays import NOBODY, stock_of
from breeding.services.matings import Share, mating_record
from tests.factories import NOW, CooperativeFactory, MatingFactory, MemberFactory, QueenFactory

pytestmark = pytest.mark.django_db


@pytest.fixture
def queens() -> list[Queen]:
    """Every kind of mating, counted and uncounted drones, a source of another cooperative, a dam nobody mated."""
    member = MemberFactory()
    base = [QueenFactory(owner=member, label=f"B{k}", birth_year=2020, status="gone") for k in range(4)]
    unmated = base[3]
    for queen in base[:3]:
        mating_record(queen, kind="open", drones=10, by=None, now=NOW)
    young = [QueenFactory(owner=member, label=f"Y{k}", mother=base[k % 4], birth_year=2022) for k in range(8)]
    day = dt.date(2022, 6, 9)
    mating_record(
        young[0], kind="pool", shares=[Share(base[0], 50, 5), Share(base[1], 30)], mated_on=day, by=None, now=NOW
    )
    mating_record(young[1], kind="dpq", shares=[Share(base[2], 80)], mated_on=day, by=None, now=NOW)
    mating_record(young[2], kind="single_drone", shares=[Share(base[1], 10)], mated_on=day, by=None, now=NOW)
    for queen in young[3:5]:
        mating_record(queen, kind="station", station_mother=base[0], station_queens=6, drones=14, place="Moor",
                      mated_on=day, by=None, now=NOW)  # fmt: skip
    MatingFactory(queen=young[5], kind="station", drones=9)
    batch = SemenBatch.objects.create(cooperative=member.cooperative, label="s1", total_tenths=100)
    for source, tenths in ((base[0], 60), (base[2], 40)):
        SemenBatchShare.objects.create(batch=batch, drone_queen=source, volume_tenths=tenths)
    for queen in young[6:8]:
        MatingFactory(queen=queen, kind="batch", shared_batch=batch, drones=None)
    late = [QueenFactory(owner=member, label=f"L{k}", mother=young[k], birth_year=2024) for k in range(8)]
    mating_record(late[0], kind="pool", shares=[Share(young[1], None), Share(young[2], None), Share(young[3], None)],
                  by=None, now=NOW)  # fmt: skip
    foreign = QueenFactory(label="Elsewhere")
    MatingFactory(queen=late[1], kind="dpq", drones=None).shares.create(drone_queen=foreign, volume_tenths=80)
    assert unmated.daughters.count() == 2
    return [*base, *young, *late]


def test_relationships_are_those_of_the_dataclasses(queens: list[Queen]) -> None:
    cooperative = queens[0].cooperative
    heads = np.array([queens[-1].pk, queens[-2].pk])
    by_objects = build_nodes(pedigree_of_cooperative(cooperative), mated=[str(pk) for pk in heads])
    stock = stock_of(cooperative, heads=heads)
    by_arrays = node_table(stock.plan)
    assert by_arrays.queen_ids == by_objects.queen_ids == [str(pk) for pk in stock.pk]
    assert [by_arrays.queen_ids[q] for q in by_arrays.mated] == [by_objects.queen_ids[q] for q in by_objects.mated]
    units = [*by_objects.queen_ids, *(f"W:{by_objects.queen_ids[q]}" for q in by_objects.mated)]
    np.testing.assert_allclose(
        relationship_matrix(by_arrays, units), relationship_matrix(by_objects, units), atol=1e-12
    )
    np.testing.assert_allclose(by_arrays.F, by_objects.F, atol=1e-12)


def test_years_and_states_stand_beside_the_pedigree(queens: list[Queen]) -> None:
    Queen.objects.filter(pk=queens[5].pk).update(birth_year=None)
    stock = stock_of(queens[0].cooperative)
    rows = stock.rows_of(np.array([queens[0].pk, queens[5].pk, 10**9]))
    assert rows.tolist()[2] == NOBODY
    assert stock.birth_year[rows[:2]].tolist() == [2020, 0]
    assert stock.is_living[rows[:2]].tolist() == [False, True]
    assert stock.is_mated.sum() == Queen.objects.filter(status="mated", cooperative=queens[0].cooperative).count() > 0


def test_an_empty_cooperative_has_an_empty_pedigree() -> None:
    stock = stock_of(CooperativeFactory())
    assert (len(stock.pk), stock.plan.n_queens) == (0, 0)
