"""Relationships against the allele-level oracle, and the invariants every pedigree keeps."""

import itertools
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from breeding.genetics.nodes import build_nodes
from breeding.genetics.pedigree import Batch, DroneShare, OneSource, Pedigree, Pool, Queen, SharedBatch
from breeding.genetics.relationship import inbreeding, mated_queens, relationship_matrix
from breeding.genetics.types import InputError
from tests.breeding.genetics.oracle import Dropped, Oracle
from tests.breeding.genetics.pedigrees import pedigrees, units_of

few = settings(max_examples=40)


@few
@given(pedigrees())
def test_every_relationship_equals_the_allele_level_oracle(pedigree):
    table = build_nodes(pedigree)
    units = units_of(table)
    np.testing.assert_allclose(relationship_matrix(table, units), Oracle(pedigree).matrix(units), atol=1e-12)


@settings(few, max_examples=15)
@given(pedigrees(max_queens=6), st.integers(0, 10**6))
def test_dropped_genes_agree_within_five_standard_errors(pedigree, seed):
    R = 4000
    table = build_nodes(pedigree)
    units = units_of(table)
    A = relationship_matrix(table, units)
    dropped = Oracle(pedigree, alleles=Dropped(R, np.random.default_rng(seed)))
    for i, one in enumerate(units):
        for j, other in enumerate(units[: i + 1]):
            f = A[i, j] / 2
            # shares lie between 0 and 1, so their variance is at most f (1 - f)
            assert abs(np.mean(dropped.observed(one, other)) - f) <= 5 * np.sqrt(f * (1 - f) / R) + 1e-12


@few
@given(pedigrees())
def test_inbreeding_of_queens_and_workers_equals_the_oracle(pedigree):
    table = build_nodes(pedigree)
    oracle = Oracle(pedigree)
    found = inbreeding(table)
    assert found.queens.keys() == {q.id for q in pedigree.queens}
    for id_, F in found.queens.items():
        assert abs(F - oracle.inbreeding(id_)) < 1e-12
        assert 0 <= F <= 1
    for id_, F in found.workers.items():
        queen, drones = oracle.unit(id_), oracle.unit(f"B:{id_}")
        f = sum(w * v * oracle.alleles.G[s, t] for s, w in queen.items() for t, v in drones.items())
        assert abs(F - f) < 1e-12


@few
@given(pedigrees())
def test_diagonals_around_mated_queens_equal_the_full_matrix(pedigree):
    table = build_nodes(pedigree)
    around = mated_queens(table)
    ids = [table.queen_ids[q] for q in around.queens]
    A = relationship_matrix(table, [*ids, *(f"B:{i}" for i in ids), *(f"W:{i}" for i in ids)])
    n = len(ids)
    np.testing.assert_allclose(around.a_qq, np.diag(A)[:n], atol=1e-12)
    np.testing.assert_allclose(around.a_bb, np.diag(A)[n : 2 * n], atol=1e-12)
    np.testing.assert_allclose(around.a_qb, np.diag(A[:n, n : 2 * n]), atol=1e-12)
    np.testing.assert_allclose(around.a_ww, np.diag(A)[2 * n :], atol=1e-12)


@few
@given(pedigrees())
def test_inverse_times_matrix_is_identity_and_matrix_is_positive(pedigree):
    table = build_nodes(pedigree)
    T = np.linalg.inv(np.eye(table.n_nodes) - table.P.toarray())
    A = T @ np.diag(table.D) @ T.T
    np.testing.assert_allclose(A @ table.inverse().toarray(), np.eye(table.n_nodes), atol=1e-8)
    assert np.linalg.eigvalsh(A).min() > -1e-10
    assert np.isclose(table.log_det(), np.linalg.slogdet(A)[1])


@few
@given(pedigrees(), st.data())
def test_a_daughter_has_the_relationships_of_the_worker_group(pedigree, data):
    table = build_nodes(pedigree)
    if not table.mated:
        return
    dam = data.draw(st.sampled_from([table.queen_ids[q] for q in table.mated]))
    grown = replace(pedigree, queens=(*pedigree.queens, Queen("new1", dam), Queen("new2", dam)))
    table = build_nodes(grown)
    units = [u for u in units_of(table) if not u.startswith("new")]
    A = relationship_matrix(table, ["new1", "new2", f"W:{dam}", dam, f"B:{dam}", *units])
    np.testing.assert_allclose(A[0, 5:], A[2, 5:], atol=1e-12)
    np.testing.assert_allclose(A[0, 5:], 0.5 * A[3, 5:] + 0.5 * A[4, 5:], atol=1e-12)
    around = mated_queens(table)
    a_ww = around.a_ww[[table.queen_ids[q] for q in around.queens].index(dam)]
    assert abs(A[0, 1] - a_ww) < 1e-12
    assert abs(A[2, 2] - a_ww) < 1e-12
    assert abs(A[0, 2] - a_ww) < 1e-12


@few
@given(pedigrees())
def test_drones_have_two_and_drone_sets_lie_between_their_sources_and_two(pedigree):
    table = build_nodes(pedigree)
    for drone in pedigree.drones:
        assert np.isclose(relationship_matrix(table, [f"d:{drone.id}"])[0, 0], 2.0)
    batches = {batch.id: batch.dpqs for batch in pedigree.batches}
    for id_, mating in pedigree.matings.items():
        match mating:
            case Pool(dpqs=shares):
                pass
            case SharedBatch(batch=batch):
                shares = batches[batch]
            case OneSource(dpq=dpq, n_drones=n):
                shares = (DroneShare(dpq, 1.0, n),)
            case _:
                continue
        whole = sum(s.weight for s in shares)
        A = relationship_matrix(table, [f"B:{id_}", *(s.id for s in shares)])
        w = np.array([s.weight / whole for s in shares])
        assert w @ A[1:, 1:] @ w - 1e-12 <= A[0, 0] <= 2 + 1e-12
        if all(s.n_drones is None for s in shares):
            assert abs(A[0, 0] - w @ A[1:, 1:] @ w) < 1e-12


@few
@given(pedigrees(), st.data())
def test_a_loop_in_time_is_refused_with_names_that_are_a_loop(pedigree, data):
    """A queen raised from a colony that descends from her: the names walk from child to parent and come back."""
    pairs = [(q, p) for q in pedigree.queens for p in pedigree.queens if q.dam == p.id]
    if not pairs:
        return
    child, parent = data.draw(st.sampled_from(pairs))
    back = [replace(q, dam=child.id) if q.id == parent.id else q for q in pedigree.queens]
    with pytest.raises(InputError) as refused:
        build_nodes(replace(pedigree, queens=tuple(back)))
    names = refused.value.reason.removeprefix("loop in time: ").split(" (")[0].split(" ← ")
    assert names[0] == names[-1]
    assert len(set(names)) == len(names) - 1
    rows = {q.id: q for q in back}
    assert refused.value.path == f"pedigree.queens[{[q.id for q in back].index(names[0])}].dam"
    for older_of, name in itertools.pairwise(names):
        if name in rows and older_of in rows:
            assert rows[older_of].dam == name


@few
@given(pedigrees(), st.randoms(use_true_random=False))
def test_input_order_changes_nothing(pedigree, random):
    table = build_nodes(pedigree)
    units = units_of(table)
    mixed = {}
    for name in ("queens", "drones", "batches", "groups"):
        rows = list(getattr(pedigree, name))
        random.shuffle(rows)
        mixed[name] = rows
    matings = list(pedigree.matings.items())
    random.shuffle(matings)
    other = build_nodes(Pedigree(matings=dict(matings), **mixed))
    np.testing.assert_allclose(relationship_matrix(table, units), relationship_matrix(other, units), atol=1e-12)


@few
@given(pedigrees())
def test_splitting_a_source_in_two_halves_changes_nothing(pedigree):
    def halves(share):
        if share.n_drones is None or share.n_drones % 2:
            return (share,)
        half = DroneShare(share.id, share.weight / 2, share.n_drones // 2)
        return (half, half)

    def split(mating):
        if isinstance(mating, Pool):
            return Pool(tuple(h for s in mating.dpqs for h in halves(s)))
        return mating

    other = replace(
        pedigree,
        matings={q: split(m) for q, m in pedigree.matings.items()},
        batches=tuple(Batch(b.id, tuple(h for s in b.dpqs for h in halves(s))) for b in pedigree.batches),
    )
    table = build_nodes(pedigree)
    units = units_of(table)
    np.testing.assert_allclose(
        relationship_matrix(table, units), relationship_matrix(build_nodes(other), units), atol=1e-12
    )


def with_drones(pedigree, n):
    """The same pedigree with n drones wherever drones are counted."""

    def counted(mating):
        if isinstance(mating, Pool):
            return Pool(tuple(replace(s, n_drones=n) for s in mating.dpqs))
        return replace(mating, n_drones=n) if hasattr(mating, "n_drones") else mating

    return replace(
        pedigree,
        matings={q: counted(m) for q, m in pedigree.matings.items()},
        batches=tuple(Batch(b.id, tuple(replace(s, n_drones=n) for s in b.dpqs)) for b in pedigree.batches),
    )


@few
@given(pedigrees())
def test_many_drones_converge_to_very_many(pedigree):
    endless = build_nodes(with_drones(pedigree, None))
    units = units_of(endless)
    limit = relationship_matrix(endless, units)
    far = [
        np.abs(relationship_matrix(build_nodes(with_drones(pedigree, n)), units) - limit).max()
        for n in (10, 10_000, 10_000_000)
    ]
    assert far[0] >= far[1] >= far[2]
    assert far[2] < 1e-5


@few
@given(pedigrees(), st.data())
def test_a_shared_batch_makes_daughters_across_queens_closer_by_the_same_drone_terms(pedigree, data):
    """By 1/4 sum w^2 (1 - F) / n over the sources, whatever else relates them."""
    ids = [q.id for q in pedigree.queens]
    parts = data.draw(
        st.lists(
            st.tuples(st.sampled_from(ids), st.sampled_from([1.0, 2.0, 3.0]), st.integers(1, 6)), min_size=1, max_size=4
        )
    )
    dam = data.draw(st.sampled_from([None, *ids]))
    queens = (*pedigree.queens, Queen("X", dam), Queen("Y", dam), Queen("dX", "X"), Queen("dY", "Y"))
    sources = tuple(DroneShare(*part) for part in parts)
    shared = replace(
        pedigree,
        queens=queens,
        matings={**pedigree.matings, "X": SharedBatch("new"), "Y": SharedBatch("new")},
        batches=(*pedigree.batches, Batch("new", sources)),
    )
    own = replace(pedigree, queens=queens, matings={**pedigree.matings, "X": Pool(sources), "Y": Pool(sources)})
    table = build_nodes(shared)
    a = [relationship_matrix(t, ["dX", "dY"])[0, 1] for t in (table, build_nodes(own))]
    F = dict(zip(table.queen_ids, table.F.tolist(), strict=True))
    whole = sum(w for _, w, _ in parts)
    expected = 0.25 * sum((w / whole) ** 2 * (1 - F[id_]) / n for id_, w, n in parts)
    assert abs(a[0] - a[1] - expected) < 1e-12


@few
@given(st.integers(1, 25))
def test_long_selfing_keeps_numbers_in_range(generations):
    """A queen inseminated with very many of her own sons: F rises towards 1, D falls towards 0."""
    queens = [Queen("q0"), *(Queen(f"q{i + 1}", f"q{i}") for i in range(generations))]
    matings = {q.id: OneSource(q.id, None) for q in queens}
    table = build_nodes(Pedigree(queens, matings))
    expected = [1 - 0.5**i for i in range(generations + 1)]
    np.testing.assert_allclose(table.F, expected, atol=1e-12)
    assert (table.D > 0).all()
