"""Loops compiled by numba where it is installed; without it the sweeps of `tracing` give the same numbers.

They pay from some ten thousand bred-from queens on. Numba is imported and the loops are compiled when they are first
asked for, which is in a worker; what was compiled is kept beside the module or in the user's cache.
"""

from collections.abc import Callable
from functools import cache
from typing import Any

import numpy as np

from breeding.genetics.types import Floats, Ints

#: Nodes swept side by side: one cache line of doubles.
LANES = 8
Pairs = Callable[[Ints, Ints, Floats, Floats, Ints, Ints, Ints, Ints, Floats, Floats], None]


@cache
def compiled_pairs() -> Pairs | None:
    """`pairs_by_node` compiled, or None where numba is not installed."""
    try:
        import numba
    except ImportError:
        return None
    try:
        made: Any = numba.njit(cache=True, nogil=True)(pairs_by_node)
    except RuntimeError:  # no folder that numba may write to: compiled anew in each process
        made = numba.njit(nogil=True)(pairs_by_node)
    return made  # type: ignore[no-any-return]


def pairs_by_node(
    start: Ints,
    parent: Ints,
    weight: Floats,
    D: Floats,
    nodes: Ints,
    first: Ints,
    other: Ints,
    row: Ints,
    factor: Floats,
    result: Floats,
) -> None:
    """Add factor x relationship of ``nodes[k]`` with ``other[at]`` to ``result[row[at]]``, at in first[k]:first[k+1].

    start, parent, weight : CSR of the parents' weights, parents before their young. D : (n,). Mendelian variances.
    One upward sweep from the nodes and one downward through the ancestors of the others, eight nodes side by side.
    """
    n = len(D)
    values = np.zeros((n, 8))
    is_up = np.zeros(n, dtype=np.uint8)
    is_down = np.zeros(n, dtype=np.uint8)
    for begin in range(0, len(nodes), 8):
        lanes = min(8, len(nodes) - begin)
        top = 0
        for lane in range(lanes):
            node = nodes[begin + lane]
            values[node, lane] = 1.0
            is_up[node] = 1
            top = max(top, node)
        for i in range(top, -1, -1):
            if is_up[i]:
                for at in range(start[i], start[i + 1]):
                    p, w = parent[at], weight[at]
                    is_up[p] = 1
                    for lane in range(8):
                        values[p, lane] += w * values[i, lane]
        highest = 0
        for at in range(first[begin], first[begin + lanes]):
            is_down[other[at]] = 1
            highest = max(highest, other[at])
        for i in range(highest, -1, -1):
            if is_down[i]:
                for at in range(start[i], start[i + 1]):
                    is_down[parent[at]] = 1
        for i in range(highest + 1):
            if is_down[i]:
                for lane in range(8):
                    values[i, lane] *= D[i]
                for at in range(start[i], start[i + 1]):
                    p, w = parent[at], weight[at]
                    for lane in range(8):
                        values[i, lane] += w * values[p, lane]
        for lane in range(lanes):
            for at in range(first[begin + lane], first[begin + lane + 1]):
                result[row[at]] += factor[at] * values[other[at], lane]
        for i in range(max(top, highest) + 1):
            if is_up[i] or is_down[i]:
                is_up[i] = is_down[i] = 0
                for lane in range(8):
                    values[i, lane] = 0.0
