"""Allocation of mothers to sources: against every possible one, and what cannot be met."""

from itertools import product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from breeding.genetics.allocation import allocate, counts_of
from breeding.genetics.types import InputError


def every_allocation(queens, capacity):
    """All count matrices with the given row sums and column sums of at most the capacities."""
    rows = [
        [row for row in product(range(q + 1), repeat=len(capacity)) if sum(row) == q]
        for q in queens
    ]  # fmt: skip
    for chosen in product(*rows):
        if all(sum(column) <= room for column, room in zip(zip(*chosen, strict=True), capacity, strict=True)):
            yield np.array(chosen)


@settings(max_examples=60)
@given(st.integers(0, 10_000), st.sampled_from(["low", "high"]), st.booleans())
def test_no_other_allocation_is_better(seed, goal, forbid):
    rng = np.random.default_rng(seed)
    queens, capacity = rng.integers(0, 3, 3), rng.integers(1, 4, 3)
    values = rng.random((3, 3)).round(1)  # ties
    allowed = rng.random((3, 3)) < 0.7 if forbid else None
    if capacity.sum() < queens.sum() or queens.sum() == 0:
        return
    sign = 1 if goal == "low" else -1
    totals = [
        sign * float((counts * values).sum())
        for counts in every_allocation(queens.tolist(), capacity.tolist())
        if allowed is None or not counts[~allowed].any()
    ]
    found = allocate(values, queens, capacity, goal=goal, allowed=allowed)
    if not totals:
        assert found.status == "infeasible"
        assert "no source" in found.message
        return
    assert found.status == "optimal"
    assert found.counts.sum(axis=1).tolist() == queens.tolist()
    assert (found.counts.sum(axis=0) <= capacity).all()
    assert sign * float((found.counts * values).sum()) == pytest.approx(min(totals))
    assert found.mean == pytest.approx(sign * min(totals) / queens.sum())


def test_by_chance_is_the_mean_of_all_pairs_by_their_numbers():
    """Two queens of A, one of B; sources X for one, Y for two: 1/9 (2·1·0.1 + 2·2·0.2 + 1·0.3 + 2·0.4)."""
    found = allocate(np.array([[0.1, 0.2], [0.3, 0.4]]), np.array([2, 1]), np.array([1, 2]), goal="low")
    assert found.mean_at_random == pytest.approx((0.2 + 0.8 + 0.3 + 0.8) / 9)


@given(
    st.dictionaries(st.sampled_from("abcdefg"), st.floats(0, 1), min_size=1).filter(lambda d: sum(d.values()) > 0.01),
    st.integers(1, 200),
)
def test_counts_sum_up_and_stay_within_one_of_the_shares(shares, total):
    made = counts_of(shares, total)
    whole = sum(shares.values())
    assert sum(made.values()) == total
    assert all(abs(made[name] - share / whole * total) < 1 + 1e-6 for name, share in shares.items())
    assert all(made[name] == 0 for name, share in shares.items() if share == 0)


def test_largest_remainders_and_caps():
    assert counts_of({"a": 0.5, "b": 0.3, "c": 0.2}, 7) == {"a": 4, "b": 2, "c": 1}
    assert counts_of({"a": 0.8, "b": 0.2, "c": 0.0}, 10, most={"a": 5}) == {"a": 5, "b": 5, "c": 0}


@pytest.mark.parametrize(
    ("call", "text"),
    [
        (lambda: counts_of({"a": 0.0}, 3), "not all 0"),
        (lambda: counts_of({"a": 1.0}, 0), "at least 1"),
        (lambda: counts_of({"a": 1.0}, 3, most={"a": 2}), "fewer than 3"),
        (lambda: allocate(np.zeros((1, 1)), np.array([2]), np.array([1]), goal="low"), "1 inseminations for 2"),
        (lambda: allocate(np.zeros((1, 2)), np.array([2]), np.array([2]), goal="low"), "shape"),
        (lambda: allocate(np.full((1, 1), np.nan), np.array([1]), np.array([1]), goal="low"), "numbers"),
    ],
)
def test_what_cannot_be_is_refused(call, text):
    with pytest.raises(InputError, match=text):
        call()
