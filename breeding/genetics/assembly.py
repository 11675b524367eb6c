"""The absorbed normal equations as one sparse matrix on a fixed pattern.

The pattern holds every pair of unknowns that meet in a colony, so that the errors of all queens, worker groups
and drone sets are read off the elements of the inverse on it.
"""

from collections.abc import Iterator, Sequence
from functools import cached_property

import numpy as np
from scipy import sparse

from breeding.genetics.cells import Batch, Columns
from breeding.genetics.cholesky import Plan
from breeding.genetics.types import Csr, Floats, Ints

# Entries of cells worked on at once, and positions kept between rounds [elements].
CHUNK = 2_000_000
KEPT_POSITIONS = 40_000_000


class Assembly:
    """Pattern and positions; ``matrix`` adds up the numbers.

    precision : CSR (n_unknown, n_unknown) of z; ``traits`` the number of effects per level of a random factor.
    """

    def __init__(self, batches: Sequence[Batch], columns: Columns, precision: Csr, traits: int) -> None:
        self.batches = batches
        self.columns = columns
        self.traits = traits
        self.pattern = _pattern(batches, columns, precision)
        self.pattern.sum_duplicates()
        n = columns.total
        self._start = self.pattern.indptr.astype(np.int64)
        self._keys = np.repeat(np.arange(n, dtype=np.int64) * n, np.diff(self._start)) + self.pattern.indices
        coo = precision.tocoo()
        offset = np.arange(columns.q)
        rows = coo.row.astype(np.int64)[:, None, None] * columns.q + offset[:, None]
        others = coo.col.astype(np.int64)[:, None, None] * columns.q + offset[None, :]
        self.precision_data = coo.data
        self.precision_at = self.positions(*np.broadcast_arrays(rows, others))
        self.random_at: list[Ints] = []
        for start, levels in columns.random:
            one = start + np.arange(levels)[:, None] * traits + np.arange(traits)
            self.random_at.append(self.positions(*np.broadcast_arrays(one[:, :, None], one[:, None, :])))
        size = sum(batch.columns.size * batch.columns.shape[1] for batch in batches)
        self._kept: dict[tuple[int, int], Ints] | None = {} if size <= KEPT_POSITIONS else None

    @cached_property
    def plan(self) -> Plan:
        """Elimination plan; the same for all (co)variances."""
        return Plan(self.pattern)

    def positions(self, rows: Ints, others: Ints) -> Ints:
        """Where entries of the pattern stand in its data; same shape as ``rows``."""
        at = np.searchsorted(self._keys, rows * np.int64(self.columns.total) + others)
        return at.astype(np.int32) if len(self._keys) < 2**31 else at

    def parts(self) -> Iterator[tuple[int, Batch, slice, Ints]]:
        """Batch number, batch, some of its cells, and the positions of their pairs of unknowns (n, u, u)."""
        for b, batch in enumerate(self.batches):
            for part in batch.chunks(CHUNK):
                at = None if self._kept is None else self._kept.get((b, part.start))
                if at is None:
                    own = batch.columns[part]
                    at = self.positions(*np.broadcast_arrays(own[:, :, None], own[:, None, :]))
                    if self._kept is not None:
                        self._kept[b, part.start] = at
                yield b, batch, part, at

    def matrix(self, inverses: Sequence[Floats], K_inverse: Floats, random_inverse: Sequence[Floats]) -> Csr:
        """C for given inverse covariances of the cells' observations (n, k, k), of z and of the random factors."""
        data = np.zeros(self.pattern.nnz)
        for b, batch, part, at in self.parts():
            if batch.k:
                H = batch.H[part]
                block = np.swapaxes(H, 1, 2) @ (inverses[b][part] * batch.weight[part, None, None]) @ H
                data += np.bincount(at.ravel(), weights=block.ravel(), minlength=len(data))
        own = self.precision_data[:, None, None] * K_inverse
        data += np.bincount(self.precision_at.ravel(), weights=own.ravel(), minlength=len(data))
        for at, Ki in zip(self.random_at, random_inverse, strict=True):
            data += np.bincount(at.ravel(), weights=np.broadcast_to(Ki, at.shape).ravel(), minlength=len(data))
        return sparse.csr_array((data, self.pattern.indices, self.pattern.indptr), shape=self.pattern.shape)


def _pattern(batches: Sequence[Batch], columns: Columns, precision: Csr) -> Csr:
    q, n_z = columns.q, columns.n_unknown
    nodes: list[tuple[Ints, Ints]] = []
    rest: list[tuple[Ints, Ints]] = []
    at = 0
    for batch in batches:
        s = batch.queen.shape[1]
        cell = at + np.arange(batch.n)
        own = batch.columns[:, : s * q : q] // q
        nodes.append((np.repeat(cell, s), own.ravel()))
        others = batch.columns[:, s * q :] - n_z * q
        rest.append((np.repeat(cell, others.shape[1]), others.ravel()))
        at += batch.n
    N = _incidence(nodes, at, n_z)
    F = _incidence(rest, at, columns.total - n_z * q)
    zz = sparse.csr_array(N.T @ N + abs(precision))
    zr = sparse.csr_array(N.T @ F)
    rr = sparse.csr_array(F.T @ F + sparse.eye_array(F.shape[1]))
    for start, levels in columns.random:  # effects of one level stand together, whatever was recorded
        traits = (columns.fixed[0][0] - columns.random[0][0]) // sum(n for _, n in columns.random)
        ones = sparse.kron(sparse.eye_array(levels), np.ones((traits, traits)), format="csr")
        before, after = start - n_z * q, columns.total - start - levels * traits
        rr = sparse.csr_array(
            rr + sparse.block_diag([sparse.csr_array((before, before)), ones, sparse.csr_array((after, after))])
        )
    whole = sparse.block_array(
        [
            [sparse.kron(zz, np.ones((q, q)), format="csr"), sparse.kron(zr, np.ones((q, 1)), format="csr")],
            [sparse.kron(zr.T, np.ones((1, q)), format="csr"), rr],
        ],
        format="csr",
    )
    return sparse.csr_array(whole)


def _incidence(pairs: list[tuple[Ints, Ints]], n: int, m: int) -> Csr:
    rows = np.concatenate([own for own, _ in pairs])
    columns = np.concatenate([own for _, own in pairs])
    return sparse.csr_array((np.ones(len(rows)), (rows, columns)), shape=(n, m))
