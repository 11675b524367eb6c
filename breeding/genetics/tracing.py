"""Path tracing: rows of T = (I - P)^-1 for many units at once, level by level, never the matrix itself."""

import itertools
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from scipy import sparse

from breeding.genetics.compiled import compiled_pairs
from breeding.genetics.types import Csr, Floats, Ints

# Largest dense work array of one sweep [elements]; more units are traced in chunks.
MAX_ELEMENTS = 20_000_000
# The same where units are traced one beside the other: it stays in the cache of common processors.
IN_CACHE = 4_000_000
NARROWEST, WIDEST = 8, 128
# Ancestors from which compiled loops win more time than loading the compiler takes.
COMPILED_FROM = 30_000


@dataclass(frozen=True)
class _Block:
    """Nodes ``start`` to ``stop``: ``rows`` are their parents' weights among ``columns``."""

    start: int
    stop: int
    rows: Csr
    transposed: Csr
    columns: slice | Ints


class _Wanted(NamedTuple):
    """Relationships of ``nodes[k]`` with ``other[first[k]:first[k + 1]]``, each times factor, added to ``row``."""

    nodes: Ints
    first: Ints
    other: Ints
    row: Ints
    factor: Floats


class Tracer:
    """Ancestors in birth order, grouped by level; level l descends from lower levels only.

    ``add_level`` takes the parent weights of the next nodes, shape (n_new, any number of older nodes).
    """

    def __init__(self) -> None:
        self.size = 0
        self._blocks: list[_Block] = []
        self._D: list[Floats] = []

    @classmethod
    def of(cls, P: Csr, D: Floats, level: Ints) -> "Tracer":
        """Tracer over a whole node table whose nodes stand in order of their level."""
        tracer = cls()
        edges = np.flatnonzero(np.diff(level)) + 1
        bounds = [0, *edges.tolist(), len(level)]
        for start, stop in itertools.pairwise(bounds):
            if stop > start:
                tracer.add_level(P[start:stop], D[start:stop])
        return tracer

    def add_level(self, rows: Csr, D: Floats) -> None:
        start, self.size = self.size, self.size + len(D)
        self._D.append(D)
        if rows.nnz == 0:
            return
        columns, position = np.unique(rows.indices, return_inverse=True)
        where: slice | Ints = columns
        position = np.asarray(position, dtype=np.int32)
        first, stop = int(columns[0]), int(columns[-1]) + 1
        if stop - first <= 2 * len(columns):  # a range is added to in place, without a copy
            where, width = slice(first, stop), stop - first
            position = rows.indices - np.int32(first)
        else:
            width = len(columns)
        narrow = sparse.csr_array((rows.data, position, rows.indptr), shape=(len(D), width))
        self._blocks.append(_Block(start, self.size, narrow, narrow.T.tocsr(), where))

    def variances(self) -> Floats:
        return np.concatenate(self._D) if self._D else np.zeros(0)

    def trace(self, units: Csr) -> Floats:
        """Coefficients of the Mendelian terms in each unit, shape (n_nodes, n_units).

        units : CSR, shape (n_units, at most n_nodes). Weights of nodes in each unit.
        """
        traced = np.zeros((self.size, units.shape[0]))
        coo = units.tocoo()
        np.add.at(traced, (coo.col, coo.row), coo.data)
        for block in reversed(self._blocks):
            traced[block.columns] += block.transposed @ traced[block.start : block.stop]
        return traced

    def times(self, units: Csr, weights: Floats) -> Floats:
        """Relationship of every node with each weighted sum of units, (n_nodes, k).

        weights : (n_units, k). One upward and one downward sweep; Colleau (2002), 10.1186/1297-9686-34-4-409.
        """
        values = np.zeros((self.size, weights.shape[1]))
        values[: units.shape[1]] = units.T @ weights
        return self._swept(values)

    def _swept(self, values: Floats) -> Floats:
        for block in reversed(self._blocks):
            values[block.columns] += block.transposed @ values[block.start : block.stop]
        values *= self.variances()[:, None]
        for block in self._blocks:
            values[block.start : block.stop] += block.rows @ values[block.columns]
        return values

    def pairs(self, left: Csr, right: Csr) -> Floats:
        """Relationship of left[i] with right[i], shape (n,).

        Notes
        -----
        Node by node of the side with fewer of them (two sweeps for all its pairs), or pair by pair where
        there are fewer pairs (one sweep for both sides); the work array is bounded either way.
        """
        n = left.shape[0]
        result = np.zeros(n)
        if self.size == 0 or n == 0:
            return result
        nodes, others = np.unique(left.indices), np.unique(right.indices)
        if len(others) <= len(nodes):
            left, right, nodes = right, left, others
        if len(nodes) < n:
            return self._pairs_by_node(left, right, nodes)
        D = self.variances()
        step = self._width(2)
        for start in range(0, n, step):
            stop = min(n, start + step)
            both = self.trace(sparse.vstack([left[start:stop], right[start:stop]], format="csr"))
            k = stop - start
            result[start:stop] = np.einsum("ij,ij,i->j", both[:, :k], both[:, k:], D)
        return result

    def _width(self, sides: int) -> int:
        return max(NARROWEST, min(WIDEST, IN_CACHE // (sides * self.size)))

    def _pairs_by_node(self, left: Csr, right: Csr, nodes: Ints) -> Floats:
        row = np.repeat(np.arange(left.shape[0]), np.diff(left.indptr))
        order = np.argsort(left.indices, kind="stable")
        row, node, weight = row[order], left.indices[order], left.data[order]
        of = np.diff(right.indptr)[row]
        inner = np.arange(of.sum()) - np.repeat(np.cumsum(of) - of, of)
        at = np.repeat(right.indptr[row], of) + inner
        wanted = _Wanted(
            nodes,
            np.searchsorted(np.repeat(node, of), np.append(nodes, self.size)),
            right.indices[at],
            np.repeat(row, of),
            np.repeat(weight, of) * right.data[at],
        )
        result = np.zeros(left.shape[0])
        compiled = compiled_pairs() if self.size >= COMPILED_FROM else None
        if compiled is None:
            self._add_pairs(wanted, result)
        else:
            P = self._parents()
            compiled(P.indptr, P.indices, P.data, self.variances(), *wanted, result)
        return result

    def _add_pairs(self, wanted: "_Wanted", result: Floats) -> None:
        nodes, first = wanted.nodes, wanted.first
        step = self._width(1)
        for start in range(0, len(nodes), step):
            stop = min(len(nodes), start + step)
            A = self.columns(nodes[start:stop])
            part = slice(first[start], first[stop])
            column = np.repeat(np.arange(stop - start), np.diff(first[start : stop + 1]))
            terms = wanted.factor[part] * A[wanted.other[part], column]
            np.add.at(result, wanted.row[part], terms)

    def _parents(self) -> Csr:
        """Weights of the parents of every node, (n_nodes, n_nodes)."""
        counts = np.zeros(self.size + 1, dtype=np.int32)
        indices, data = [np.zeros(0, dtype=np.int32)], [np.zeros(0)]
        for block in self._blocks:
            counts[block.start + 1 : block.stop + 1] = np.diff(block.rows.indptr)
            narrow = block.rows.indices
            columns = block.columns
            wide = narrow + columns.start if isinstance(columns, slice) else columns[narrow]
            indices.append(wide.astype(np.int32))
            data.append(block.rows.data)
        parts = (np.concatenate(data), np.concatenate(indices), np.cumsum(counts, dtype=np.int32))
        return sparse.csr_array(parts, shape=(self.size, self.size))

    def columns(self, nodes: Ints) -> Floats:
        """Relationships of every node with some nodes, (n_nodes, len(nodes))."""
        values = np.zeros((self.size, len(nodes)))
        values[nodes, np.arange(len(nodes))] = 1.0
        return self._swept(values)

    def matrix(self, units: Csr) -> Floats:
        """Relationships of all units with each other, shape (n_units, n_units)."""
        n = units.shape[0]
        D = self.variances()
        if self.size * n <= MAX_ELEMENTS:
            traced = self.trace(units)
            return np.asarray((traced * D[:, None]).T @ traced)
        step = max(1, MAX_ELEMENTS // (2 * self.size))
        result = np.zeros((n, n))
        for start in range(0, n, step):
            first = self.trace(units[start : start + step]) * D[:, None]
            for other in range(start, n, step):
                block = first.T @ self.trace(units[other : other + step])
                result[start : start + step, other : other + step] = block
                result[other : other + step, start : start + step] = block.T
        return result
