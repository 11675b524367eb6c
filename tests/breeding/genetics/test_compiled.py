"""Compiled loops against the sweeps of numpy: the same variances and inbreeding, whatever the pedigree."""

from unittest import mock

import numpy as np
import pytest
from hypothesis import given, settings

from benchmarks.populations import population
from breeding.genetics import compiled, tracing
from breeding.genetics.compiled import compiled_pairs, pairs_by_node
from breeding.genetics.entities import Layout, layout
from breeding.genetics.nodes import NodeTable, node_table
from tests.breeding.genetics.pedigrees import pedigrees

few = settings(max_examples=60)


def by_loops(plan: Layout, loops: object) -> NodeTable:
    """The node table with every relationship traced by these loops."""
    with mock.patch.multiple(tracing, COMPILED_FROM=0, compiled_pairs=mock.Mock(return_value=loops)):
        return node_table(plan)


def assert_same(first: NodeTable, second: NodeTable) -> None:
    np.testing.assert_allclose(first.D, second.D, rtol=1e-13, atol=0)
    np.testing.assert_allclose(first.F, second.F, rtol=1e-13, atol=1e-15)
    np.testing.assert_array_equal(first.entity, second.entity)


@few
@given(pedigrees())
def test_uncompiled_loops_give_the_numbers_of_the_sweeps(pedigree):
    plan = layout(pedigree)
    assert_same(by_loops(plan, pairs_by_node), by_loops(plan, None))


@pytest.mark.parametrize("bred", [0.1, 0.6])
def test_compiled_loops_give_the_numbers_of_the_sweeps(bred):
    loops = compiled_pairs()
    assert loops is not None, "numba is among what the tests need"
    plan = population(3_000, bred=bred, generations=8, rng=np.random.default_rng(4)).plan
    swept = by_loops(plan, None)
    assert swept.F.max() > 0.05
    assert_same(by_loops(plan, loops), swept)


def test_without_numba_there_are_no_compiled_loops():
    compiled_pairs.cache_clear()
    with mock.patch.dict("sys.modules", {"numba": None}):
        assert compiled.compiled_pairs() is None
    compiled_pairs.cache_clear()


def test_loops_are_compiled_where_nothing_can_be_written():
    compiled_pairs.cache_clear()
    numba = mock.Mock()
    numba.njit.side_effect = [RuntimeError("cannot cache"), lambda function: function]
    with mock.patch.dict("sys.modules", {"numba": numba}):
        assert compiled.compiled_pairs() is pairs_by_node
    assert [call.kwargs.get("cache") for call in numba.njit.call_args_list] == [True, None]
    compiled_pairs.cache_clear()
