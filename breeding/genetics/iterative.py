"""The absorbed equations solved without assembling them: preconditioned conjugate gradients, many right sides at once.

References
----------
Hestenes & Stiefel (1952), 10.6028/jres.049.044; Strandén & Lidauer (1999), 10.3168/jds.S0022-0302(99)75535-9
(mixed-model equations without building them).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy import sparse

from breeding.genetics.cells import Batch, Columns
from breeding.genetics.types import Csr, Floats, Ints

# Right sides worked on together: wide enough to pay for reading the indices, narrow enough for the cache.
TOGETHER = 16


class Design:
    """Observations of the cells by the unknowns, (n_rows, n_unknowns) in CSR, cells one after the other."""

    def __init__(self, batches: Sequence[Batch], columns: Columns) -> None:
        rows: list[Ints] = []
        touched: list[Ints] = []
        data: list[Floats] = []
        at = 0
        for batch in batches:
            if batch.k:
                cell, j, u = np.nonzero(batch.H)
                rows.append(at + cell * batch.k + j)
                touched.append(batch.columns[cell, u])
                data.append(batch.H[cell, j, u])
                at += batch.n * batch.k
        shape = (at, columns.total)
        self.W: Csr = sparse.csr_array(
            (_joined(data), (_joined(rows, np.int64), _joined(touched, np.int64))), shape=shape
        )
        self.W_t: Csr = self.W.T.tocsr()


class Operator:
    """C times a vector, or many. ``weights``: per batch the inverse covariance of a cell's colonies together."""

    def __init__(
        self,
        design: Design,
        columns: Columns,
        batches: Sequence[Batch],
        inverses: Sequence[Floats],
        precision: Csr,
        K_inverse: Floats,
        random_inverse: Sequence[Floats],
    ) -> None:
        self.design = design
        self.columns = columns
        self.precision = precision
        self.K_inverse = K_inverse
        self.random_inverse = random_inverse
        self.blocks = [
            inverse * batch.weight[:, None, None] for batch, inverse in zip(batches, inverses, strict=True) if batch.k
        ]
        self.weights = _block_diagonal(self.blocks)
        self.batches = [batch for batch in batches if batch.k]
        self.size = columns.total

    def apply(self, x: Floats) -> Floats:
        """C x; x (n, m)."""
        y = self.design.W @ x
        y = self.weights[:, None] * y if isinstance(self.weights, np.ndarray) else self.weights @ y
        out = self.design.W_t @ y
        q, n_z, m = self.columns.q, self.columns.n_unknown, x.shape[1]
        z = x[: n_z * q]
        if m == 1:
            scaled = z.reshape(n_z, q) @ self.K_inverse
        else:
            scaled = np.einsum("ef,nfm->nem", self.K_inverse, z.reshape(n_z, q, m)).reshape(n_z, q * m)
        out[: n_z * q] += (self.precision @ scaled).reshape(n_z * q, m)
        for (start, levels), Ki in zip(self.columns.random, self.random_inverse, strict=True):
            stop = start + levels * len(Ki)
            out[start:stop] += np.matmul(Ki, x[start:stop].reshape(levels, len(Ki), m)).reshape(-1, m)
        return out

    def rhs_noise(self, rng: np.random.Generator, roots: "PriorRoots", draws: int) -> Floats:
        """Draws from N(0, C), (n, draws); solving for them draws from N(0, C^-1)."""
        q, n_z = self.columns.q, self.columns.n_unknown
        parts: list[Floats] = []
        for block in self.blocks:
            L = np.linalg.cholesky(block)
            xi = rng.standard_normal((len(block), block.shape[1], draws))
            parts.append((L @ xi).reshape(-1, draws))
        out = self.design.W_t @ np.concatenate(parts) if parts else np.zeros((self.size, draws))
        zeta = rng.standard_normal((n_z, q, draws)) / np.sqrt(roots.D)[:, None, None]
        zeta = np.matmul(np.linalg.cholesky(self.K_inverse), zeta).reshape(n_z, q * draws)
        out[: n_z * q] += (zeta - roots.P_t @ zeta).reshape(n_z * q, draws)
        for (start, levels), Ki in zip(self.columns.random, self.random_inverse, strict=True):
            own = np.matmul(np.linalg.cholesky(Ki), rng.standard_normal((levels, len(Ki), draws)))
            out[start : start + levels * len(Ki)] += own.reshape(-1, draws)
        return out


@dataclass(frozen=True)
class PriorRoots:
    """What draws of the pedigree need: P' (CSR) and the Mendelian variances of z."""

    P_t: Csr
    D: Floats


class BlockJacobi:
    """Inverse of the diagonal blocks of C: q x q per level of z, t x t per random level, single fixed effects."""

    def __init__(self, operator: Operator) -> None:
        columns, q = operator.columns, operator.columns.q
        n_z = columns.n_unknown
        blocks = operator.precision.diagonal()[:, None, None] * operator.K_inverse
        flat = np.zeros(n_z * q * q)
        single = np.zeros(columns.total)
        for batch, weights in zip(operator.batches, operator.blocks, strict=True):
            s = batch.queen.shape[1]
            nodes = batch.columns[:, : s * q : q] // q
            H = batch.H[:, :, : s * q].reshape(batch.n, batch.k, s, q)
            own = np.einsum("nksa,nkl,nlsb->nsab", H, weights, H, optimize=True)
            at = nodes[:, :, None] * (q * q) + np.arange(q * q)
            flat += np.bincount(at.ravel(), weights=own.reshape(batch.n, s, q * q).ravel(), minlength=len(flat))
            others = batch.H[:, :, s * q :]
            own_rest = np.einsum("nku,nkl,nlu->nu", others, weights, others, optimize=True)
            where = batch.columns[:, s * q :].ravel()
            single += np.bincount(where, weights=own_rest.ravel(), minlength=len(single))
        for (start, levels), Ki in zip(columns.random, operator.random_inverse, strict=True):
            single[start : start + levels * len(Ki)] += np.tile(np.diag(Ki), levels)
        inverse = np.linalg.inv(blocks + flat.reshape(n_z, q, q))
        rest = columns.total - n_z * q
        column = np.arange(n_z)[:, None, None] * q + np.broadcast_to(np.arange(q), (n_z, q, q))
        self.inverse = sparse.csr_array(
            (
                np.concatenate([inverse.ravel(), 1.0 / single[n_z * q :]]),
                np.concatenate([column.ravel(), n_z * q + np.arange(rest)]),
                np.concatenate([np.arange(n_z * q) * q, n_z * q * q + np.arange(rest + 1)]),
            ),
            shape=(columns.total, columns.total),
        )

    def apply(self, r: Floats) -> Floats:
        return np.asarray(self.inverse @ r)


@dataclass(frozen=True)
class Solved:
    """x (n, m), relative residuals (m,), iterations."""

    x: Floats
    residual: Floats
    iterations: int


def conjugate_gradients(
    operator: Operator,
    preconditioner: BlockJacobi,
    rhs: Floats,
    *,
    start: Floats | None = None,
    tolerance: float = 1e-10,
    max_iterations: int = 5000,
) -> Solved:
    """Solve C x = rhs for each column; rhs (n, m).

    start : (n, m) or None. Values to start from.
    tolerance : norm of the residual over that of the right side at which a column is done; the true residual
    is worked out at the end and reported.
    """
    scale = np.linalg.norm(rhs, axis=0)
    scale = np.where(scale > 0, scale, 1.0)
    x = np.zeros_like(rhs) if start is None else start.copy()
    r = rhs.copy() if start is None else rhs - operator.apply(x)
    z = preconditioner.apply(r)
    p = z.copy()
    rz = np.einsum("nm,nm->m", r, z)
    done = 0
    limit = (tolerance * scale) ** 2
    while done < max_iterations and np.any(np.einsum("nm,nm->m", r, r) > limit):
        Cp = operator.apply(p)
        pCp = np.einsum("nm,nm->m", p, Cp)
        step = np.divide(rz, pCp, out=np.zeros_like(rz), where=pCp > 0)
        x += step * p
        Cp *= step
        r -= Cp
        z = preconditioner.apply(r)
        new = np.einsum("nm,nm->m", r, z)
        p *= np.divide(new, rz, out=np.zeros_like(rz), where=rz > 0)
        p += z
        rz = new
        done += 1
    residual = np.linalg.norm(rhs - operator.apply(x), axis=0) / scale
    return Solved(x, residual, done)


def _block_diagonal(blocks: Sequence[Floats]) -> Csr | Floats:
    """Vector when all blocks are single numbers, else CSR."""
    if all(block.shape[1] == 1 for block in blocks):
        return np.asarray(_joined([block.ravel() for block in blocks]))
    indices: list[Ints] = []
    counts: list[Ints] = []
    at = 0
    for block in blocks:
        n, k, _ = block.shape
        first = at + np.arange(n) * k
        own = np.broadcast_to(first[:, None, None] + np.arange(k), (n, k, k))
        indices.append(own.ravel())
        counts.append(np.full(n * k, k, dtype=np.int64))
        at += n * k
    start = np.concatenate([[0], np.cumsum(np.concatenate(counts))])
    data = np.concatenate([block.ravel() for block in blocks])
    return sparse.csr_array((data, np.concatenate(indices), start), shape=(at, at))


def _joined(parts: Sequence[Any], kind: Any = float) -> Any:
    return np.concatenate(parts) if parts else np.zeros(0, dtype=kind)
