"""Sparse block Cholesky: solutions, determinant, exact elements of the inverse, draws from N(0, C^-1).

References
----------
Takahashi, Fagan & Chin (1973), Proc. 8th PICA conference (elements of the inverse from the factor);
Erisman & Tinney (1975), 10.1145/360680.360704.
"""

import numpy as np
from scipy import sparse
from scipy.linalg import lapack

from breeding.genetics.elimination import Plan, Stack
from breeding.genetics.types import Csr, Floats, Ints


class NotPositiveDefiniteError(ArithmeticError):
    """A pivot block has no Cholesky factor: the system is singular or a covariance is not positive."""


class Factor:
    """Factor of a symmetric positive definite matrix on a planned pattern.

    Per stack it keeps K = F11^-1 (g, s, s), W = F21 F11^-1 (g, m, s) and R, the inverse of the
    Cholesky factor of F11.
    """

    def __init__(self, plan: Plan, matrix: Csr) -> None:
        self.plan = plan
        fronts = np.zeros(plan.front_entries)
        fronts[plan.position] = aligned(matrix, plan.pattern)[plan.entry]
        updates = np.zeros(plan.update_entries)
        self._W: list[Floats] = []
        self._R: list[Floats] = []
        self.log_det = 0.0
        for stack in plan.stacks:
            self._eliminate(stack, fronts, updates)

    def _eliminate(self, stack: Stack, fronts: Floats, updates: Floats) -> None:
        (g, s), m = stack.pivots.shape, stack.rows.shape[1]
        width = s + m
        here = fronts[stack.front : stack.front + g * width * width]
        if len(stack.source):
            here += np.bincount(stack.target - stack.front, weights=updates[stack.source], minlength=len(here))
        F = here.reshape(g, width, width)
        try:
            L = np.linalg.cholesky(F[:, :s, :s])
        except np.linalg.LinAlgError as error:
            raise NotPositiveDefiniteError("the equations are not positive definite") from error
        self.log_det += 2.0 * float(np.log(np.einsum("gii->gi", L)).sum())
        R = _inverse_of_lower(L)
        half = F[:, s:, :s] @ R.transpose(0, 2, 1)  # L21
        self._W.append(half @ R)
        self._R.append(R)
        if m:
            block = updates[stack.update : stack.update + g * m * m].reshape(g, m, m)
            block[:] = F[:, s:, s:] - half @ half.transpose(0, 2, 1)

    def solve(self, rhs: Floats) -> Floats:
        """C^-1 rhs; rhs (n,) or (n, k)."""
        x = np.array(rhs, dtype=float).reshape(len(rhs), -1)
        for stack, W in zip(self.plan.stacks, self._W, strict=True):
            if stack.rows.shape[1]:
                np.subtract.at(x, stack.rows, W @ x[stack.pivots])
        for stack, W, R in zip(reversed(self.plan.stacks), reversed(self._W), reversed(self._R), strict=True):
            own = R.transpose(0, 2, 1) @ (R @ x[stack.pivots])
            if stack.rows.shape[1]:
                own -= W.transpose(0, 2, 1) @ x[stack.rows]
            x[stack.pivots] = own
        return x.reshape(np.shape(rhs))

    def draw(self, rng: np.random.Generator, draws: int) -> Floats:
        """Independent draws from N(0, C^-1), shape (n, draws)."""
        x = rng.standard_normal((self.plan.pattern.shape[0], draws))
        for stack, W, R in zip(reversed(self.plan.stacks), reversed(self._W), reversed(self._R), strict=True):
            own = R.transpose(0, 2, 1) @ x[stack.pivots]
            if stack.rows.shape[1]:
                own -= W.transpose(0, 2, 1) @ x[stack.rows]
            x[stack.pivots] = own
        return x

    def inverse_on_pattern(self) -> Csr:
        """Elements of C^-1 on the planned pattern, exact, without forming the rest.

        Notes
        -----
        From the last front to the first: Z21 = -Z22 W, Z11 = K + W' Z22 W, where Z22 stands in the
        front of the parent. Cost as the factorisation.
        """
        plan = self.plan
        fronts = np.zeros(plan.front_entries)
        updates = np.zeros(plan.update_entries)
        for stack, W, R in zip(reversed(plan.stacks), reversed(self._W), reversed(self._R), strict=True):
            (g, s), m = stack.pivots.shape, stack.rows.shape[1]
            width = s + m
            Z = fronts[stack.front : stack.front + g * width * width].reshape(g, width, width)
            Z[:, :s, :s] = R.transpose(0, 2, 1) @ R
            if m:
                Z22 = updates[stack.update : stack.update + g * m * m].reshape(g, m, m)
                Z21 = -Z22 @ W
                Z[:, :s, :s] -= W.transpose(0, 2, 1) @ Z21
                Z[:, s:, :s] = Z21
                Z[:, :s, s:] = Z21.transpose(0, 2, 1)
                Z[:, s:, s:] = Z22
            updates[stack.source] = fronts[stack.target]
        pattern = plan.pattern
        row_of = np.repeat(np.arange(pattern.shape[0]), np.diff(pattern.indptr))
        values = np.zeros(pattern.nnz)
        values[plan.entry] = fronts[plan.position]
        lower = plan.entry[plan.below]
        mirror = positions(pattern, pattern.indices[lower], row_of[lower])
        values[mirror] = values[lower]
        return sparse.csr_array((values, pattern.indices, pattern.indptr), shape=pattern.shape)


def _inverse_of_lower(L: Floats) -> Floats:
    """Inverse of each lower triangle of a stack (g, s, s)."""
    if L.shape[1] < 40:
        return np.linalg.inv(L)
    made = np.empty_like(L)
    for k in range(len(L)):
        made[k], failed = lapack.dtrtri(L[k], lower=1)
        assert not failed
    return made


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


def aligned(matrix: Csr, pattern: Csr) -> Floats:
    """Data of a matrix on a pattern that contains it."""
    matrix = matrix.tocsr()
    matrix.sum_duplicates()
    if matrix.nnz == pattern.nnz and np.array_equal(matrix.indices, pattern.indices):
        return np.asarray(matrix.data)
    row_of = np.repeat(np.arange(matrix.shape[0], dtype=np.int64), np.diff(matrix.indptr))
    data = np.zeros(pattern.nnz)
    data[positions(pattern, row_of, matrix.indices)] = matrix.data
    return data
