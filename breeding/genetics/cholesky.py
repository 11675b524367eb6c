"""Sparse Cholesky: solutions, determinant, exact elements of the inverse, draws from N(0, C^-1).

The factor is CHOLMOD's; the elements of the inverse follow from it supernode by supernode.

References
----------
Chen, Davis, Hager & Rajamanickam (2008), 10.1145/1391989.1391995 (supernodal factor); Takahashi, Fagan & Chin
(1973), Proc. 8th PICA conference (elements of the inverse from the factor); Erisman & Tinney (1975),
10.1145/360680.360704.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from cvxopt import cholmod, matrix, spmatrix
from scipy import sparse
from scipy.linalg import blas, lapack

from breeding.genetics.types import Bools, Csr, Floats, Ints

# Pivots up to which a call costs more than its arithmetic.
SMALL = 48


class NotPositiveDefiniteError(ArithmeticError):
    """A pivot is not positive: the system is singular or a covariance is not positive definite."""


@dataclass(frozen=True)
class Supernode:
    """Columns ``first`` to ``stop`` of the factor with one pattern.

    entries : where their entries stand in the factor's values, column by column from the diagonal down.
    height : rows of the front. ``inside``: rows below the pivots, as rows of the parent's front.
    """

    first: int
    stop: int
    entries: slice
    height: int
    parent: int
    inside: Ints


class Plan:
    """Pattern of a symmetric matrix, its elimination order, and the structure of its factor.

    Parameters
    ----------
    pattern : CSR, (n, n), both triangles; the data are not used.
    """

    def __init__(self, pattern: Csr) -> None:
        pattern = sparse.csr_array(pattern, copy=True)
        pattern.sum_duplicates()
        self.pattern = pattern
        n = pattern.shape[0]
        row = np.repeat(np.arange(n), np.diff(pattern.indptr))
        # Rows of the upper triangle are columns of the lower one.
        self.lower = np.flatnonzero(pattern.indices >= row)
        rows, columns = pattern.indices[self.lower].astype(np.int64), row[self.lower].astype(np.int64)
        self._system = spmatrix(matrix(np.ones(len(rows))), matrix(rows), matrix(columns), (n, n))
        self.symbolic: Any = None
        self.order = np.zeros(0, dtype=np.int64)
        self.holder: object | None = None  # whose numbers CHOLMOD's factor holds now
        self._structure: Sequence[Supernode] = ()
        self.places = np.zeros(0, dtype=np.int64)  # where each entry of the pattern stands among the factor's values

    def numeric(self, holder: object, data: Floats) -> Any:
        """CHOLMOD's factor of the pattern with these data; one at a time."""
        if self.holder is holder:
            return self.symbolic
        self._system.V = matrix(np.ascontiguousarray(data[self.lower]))
        self.holder = None
        if self.symbolic is None:
            known = [matrix(self.order)] if len(self.order) else []
            self.symbolic = cholmod.symbolic(self._system, *known)
        try:
            cholmod.numeric(self._system, self.symbolic)
        except ArithmeticError as error:
            raise NotPositiveDefiniteError("the equations are not positive definite") from error
        self.holder = holder
        return self.symbolic

    def take_apart(self, holder: object, data: Floats) -> tuple[Sequence[Supernode], Floats]:
        """Structure and values of the factor; CHOLMOD's own form of it is used up by that."""
        factor = self.numeric(holder, data)
        counted = matrix(np.arange(self.pattern.shape[0], dtype=float))
        cholmod.solve(factor, counted, sys=7)
        order = np.array(counted).ravel().astype(np.int64)
        start, rows, values = (np.asarray(part).ravel() for part in cholmod.getfactor(factor).CCS)
        self.symbolic = self.holder = None
        if not np.array_equal(order, self.order):
            self.order = order
            self._structure = _supernodes(start, rows)
            self.places = self._find(start, rows)
        return self._structure, values

    def _find(self, start: Ints, rows: Ints) -> Ints:
        n = self.pattern.shape[0]
        rank = np.empty(n, dtype=np.int64)
        rank[self.order] = np.arange(n)
        mine = rank[np.repeat(np.arange(n), np.diff(self.pattern.indptr))]
        other = rank[self.pattern.indices]
        keys = np.repeat(np.arange(n) * n, np.diff(start)) + rows
        return np.asarray(np.searchsorted(keys, np.minimum(mine, other) * n + np.maximum(mine, other)))


class Factor:
    """Factor of a symmetric positive definite matrix on a planned pattern.

    Raises
    ------
    NotPositiveDefiniteError
    """

    def __init__(self, plan: Plan, C: Csr) -> None:
        self.plan = plan
        self._data = aligned(C, plan.pattern)
        self._inverse: Csr | None = None
        diagonal = cholmod.diag(plan.numeric(self, self._data))
        self.log_det = 2.0 * float(np.log(np.array(diagonal)).sum())

    def solve(self, rhs: Floats) -> Floats:
        """C^-1 rhs; rhs (n,) or (n, k)."""
        return self._apply(rhs, 0)

    def draw(self, rng: np.random.Generator, draws: int) -> Floats:
        """Independent draws from N(0, C^-1), shape (n, draws)."""
        z = rng.standard_normal((self.plan.pattern.shape[0], draws))
        return self._apply(z, 5, 8)

    def _apply(self, rhs: Floats, *systems: int) -> Floats:
        factor = self.plan.numeric(self, self._data)
        x = matrix(np.asfortranarray(np.array(rhs, dtype=float).reshape(len(rhs), -1)))
        for which in systems:
            cholmod.solve(factor, x, sys=which)
        return np.array(x).reshape(np.shape(rhs))

    def inverse_on_pattern(self) -> Csr:
        """Elements of C^-1 on the planned pattern, exact, without forming the rest.

        Notes
        -----
        From the last supernode to the first, with F = [[L11], [L21]] and W = L21 L11^-1: Z21 = -Z22 W and
        Z11 = L11^-T L11^-1 - W' Z21, where Z22 stands in the front of the parent. Cost as the factorisation.
        """
        if self._inverse is None:
            plan, pattern = self.plan, self.plan.pattern
            supernodes, values = plan.take_apart(self, self._data)
            _inverse_values(supernodes, values)
            self._inverse = sparse.csr_array(
                (values[plan.places], pattern.indices, pattern.indptr), shape=pattern.shape
            )
        return self._inverse


def _supernodes(start: Ints, rows: Ints) -> list[Supernode]:
    n = len(start) - 1
    counts = np.diff(start)
    parent = np.full(n, -1, dtype=np.int64)
    has = counts > 1
    parent[has] = rows[start[:-1][has] + 1]
    joined = (parent[:-1] == np.arange(1, n)) & (counts[:-1] == counts[1:] + 1)
    first = np.flatnonzero(np.concatenate([[True], ~joined]))
    stop = np.concatenate([first[1:], [n]])
    owner = np.repeat(np.arange(len(first)), stop - first)
    above = np.where(parent[stop - 1] >= 0, owner[parent[stop - 1]], -1)
    place = np.empty(n, dtype=np.int64)
    inside: list[Ints] = [np.zeros(0, dtype=np.int64)] * len(first)
    by_parent = np.argsort(above, kind="stable")
    last = -1
    for k in by_parent[np.searchsorted(above[by_parent], 0) :].tolist():
        p = int(above[k])
        if p != last:
            front = rows[start[first[p]] : start[first[p] + 1]]
            place[front] = np.arange(len(front))
            last = p
        inside[k] = place[rows[start[stop[k] - 1] + 1 : start[stop[k]]]]
    spans = zip(first.tolist(), stop.tolist(), above.tolist(), inside, strict=True)
    return [Supernode(a, b, slice(int(start[a]), int(start[b])), int(counts[a]), p, own) for a, b, p, own in spans]


def _inverse_values(supernodes: Sequence[Supernode], values: Floats) -> None:
    """Replace the factor's values by the elements of the inverse on its pattern."""
    children = np.bincount([k.parent + 1 for k in supernodes], minlength=len(supernodes) + 1)[1:]
    fronts: dict[int, Floats] = {}
    masks: dict[tuple[int, int], Bools] = {}
    for number in range(len(supernodes) - 1, -1, -1):
        node = supernodes[number]
        s, width = node.stop - node.first, node.height
        shape = (s, width)
        if s > 1 and shape not in masks:
            masks[shape] = np.arange(width) >= np.arange(s)[:, None]
        columns = np.zeros(shape)
        if s > 1:
            columns[masks[shape]] = values[node.entries]
        else:
            columns[0] = values[node.entries]
        front = np.empty((width, width))
        Z11, W = _pivots(columns[:, :s].T, columns[:, s:].T)
        if width > s:
            Z22 = fronts[node.parent][node.inside[:, None], node.inside]
            Z21 = -(Z22 @ W)
            Z11 -= W.T @ Z21
            front[s:, s:] = Z22
            front[s:, :s] = Z21
            front[:s, s:] = Z21.T
            children[node.parent] -= 1
            if not children[node.parent]:
                del fronts[node.parent]
        front[:s, :s] = Z11
        values[node.entries] = front[:s][masks[shape]] if s > 1 else front[0]
        if children[number]:
            fronts[number] = front


def _pivots(L11: Floats, L21: Floats) -> tuple[Floats, Floats]:
    """(L11 L11')^-1 and L21 L11^-1."""
    if len(L11) == 1:
        R = 1.0 / L11
        return R * R, L21 * R
    if len(L11) < SMALL:
        R, failed = lapack.dtrtri(L11, lower=1)
        assert not failed
        return R.T @ R, L21 @ R
    Z11, failed = lapack.dpotri(L11, lower=1)
    assert not failed
    Z11 = np.tril(Z11)
    Z11 += np.tril(Z11, -1).T
    return Z11, blas.dtrsm(1.0, L11, L21, side=1, lower=1)


def positions(pattern: Csr, rows: Ints, columns: Ints) -> Ints:
    """Where entries (rows, columns) stand in the data of a CSR with sorted indices.

    Raises
    ------
    KeyError
        An entry lies outside the pattern.
    """
    n = pattern.shape[1]
    row_of = np.repeat(np.arange(pattern.shape[0], dtype=np.int64), np.diff(pattern.indptr))
    keys = row_of * n + pattern.indices
    wanted = np.asarray(rows, dtype=np.int64) * n + columns
    at = np.minimum(np.searchsorted(keys, wanted), max(0, len(keys) - 1))
    if len(wanted) and not np.array_equal(keys[at], wanted):
        raise KeyError("an entry lies outside the planned pattern")
    return np.asarray(at)


def aligned(C: Csr, pattern: Csr) -> Floats:
    """Data of a matrix on a pattern that contains it."""
    C = C.tocsr()
    C.sum_duplicates()
    if C.nnz == pattern.nnz and np.array_equal(C.indices, pattern.indices):
        return np.asarray(C.data)
    row_of = np.repeat(np.arange(C.shape[0], dtype=np.int64), np.diff(C.indptr))
    data = np.zeros(pattern.nnz)
    data[positions(pattern, row_of, C.indices)] = C.data
    return data
