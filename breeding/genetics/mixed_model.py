"""Henderson's mixed-model equations for several traits with missing records, solved sparse and exactly.

    y = X b + sum_terms Z u + e,   Var(u) = A (x) K per term,   Var(e) = R0 within a record

References
----------
Henderson (1984), Applications of Linear Models in Animal Breeding, ISBN 0-88955-030-1;
Patterson & Thompson (1971), 10.1093/biomet/58.3.545 (restricted likelihood).
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt
from scipy import sparse

from breeding.genetics.cholesky import Factor, Plan, positions
from breeding.genetics.covariances import require_positive_definite
from breeding.genetics.types import Csr, Floats, Ints


@dataclass(frozen=True)
class Term:
    """A random term with E effects per level and trait (worker and queen effect: E = 2).

    designs : one CSR (n_records, n_levels) per effect.
    precision : CSR (n_levels, n_levels), A^-1; ``log_det`` is ln|A|.
    together : CSR (n_levels, n_levels) or None. Level pairs whose joint error will be asked for.
    """

    name: str
    designs: tuple[Csr, ...]
    precision: Csr
    log_det: float = 0.0
    together: Csr | None = None

    @property
    def n_levels(self) -> int:
        return int(self.precision.shape[0])


class MixedModel:
    """Records, designs and pattern; ``solve`` takes the (co)variances.

    Parameters
    ----------
    y : (n_records, n_traits), NaN where a trait was not recorded.
    fixed : per trait CSR (n_records, p_trait), of full column rank over the trait's records.
    terms : random terms; their unknowns are ordered level, trait, effect.
    """

    def __init__(self, y: Floats, fixed: Sequence[Csr], terms: Sequence[Term]) -> None:
        self.y = y
        self.terms = tuple(terms)
        self.n_traits = y.shape[1]
        seen = np.isfinite(y)
        self.record, self.trait = np.nonzero(seen)
        self.observed = y[seen]
        self.sizes = [self.n_traits * len(term.designs) for term in self.terms]
        widths = [t.n_levels * q for t, q in zip(self.terms, self.sizes, strict=True)]
        self.starts = np.cumsum([0, *widths, *(X.shape[1] for X in fixed)])
        self.n_fixed = sum(int(X.shape[1]) for X in fixed)
        self.n_equations = int(self.starts[-1])
        self.n_observed = len(self.observed)
        self.Z = [self._term_design(term) for term in self.terms]
        self.W = sparse.hstack([*self.Z, self._fixed_design(fixed)], format="csr")
        self._patterns = _missing_patterns(seen)

    def _term_design(self, term: Term) -> Csr:
        E, t = len(term.designs), self.n_traits
        rows: list[Ints] = []
        columns: list[Ints] = []
        data: list[Floats] = []
        for trait in range(t):
            at = np.flatnonzero(self.trait == trait)
            for effect, design in enumerate(term.designs):
                coo = design[self.record[at]].tocoo()
                rows.append(at[coo.row])
                columns.append(coo.col.astype(np.int64) * (t * E) + trait * E + effect)
                data.append(coo.data)
        shape = (self.n_observed, term.n_levels * t * E)
        joined = (np.concatenate(data), (np.concatenate(rows), np.concatenate(columns)))
        return sparse.csr_array(joined, shape=shape)

    def _fixed_design(self, fixed: Sequence[Csr]) -> Csr:
        blocks: list[Csr] = []
        for trait, X in enumerate(fixed):
            own = sparse.diags_array((self.trait == trait).astype(float))
            blocks.append(sparse.csr_array(own @ X[self.record]))
        return sparse.hstack(blocks, format="csr")

    def residual_blocks(self, make: "Sequence[Floats]") -> Csr:
        """Block-diagonal matrix over the observations from one block per pattern of recorded traits."""
        rows: list[Ints] = []
        columns: list[Ints] = []
        data: list[Floats] = []
        for (_, where), block in zip(self._patterns, make, strict=True):
            k = where.shape[1]
            rows.append(np.repeat(where, k, axis=1).ravel())
            columns.append(np.tile(where, (1, k)).ravel())
            data.append(np.tile(block.ravel(), len(where)))
        n = self.n_observed
        return sparse.csr_array((np.concatenate(data), (np.concatenate(rows), np.concatenate(columns))), shape=(n, n))

    def recorded_patterns(self) -> list[tuple[Ints, Ints]]:
        """(traits of the pattern, observation numbers (n_records of it, n_traits of it))."""
        return self._patterns

    @cached_property
    def plan(self) -> Plan:
        """Elimination plan; the same for all (co)variances."""
        ones = self.residual_blocks([np.ones((len(t), len(t))) for t, _ in self._patterns])
        absolute = abs(self.W)
        within = [
            sparse.kron(abs(term.precision) + (0 if term.together is None else term.together), np.ones((q, q)))
            for term, q in zip(self.terms, self.sizes, strict=True)
        ]
        prior = sparse.block_diag([*within, sparse.eye_array(self.n_fixed)], format="csr")
        return Plan(sparse.csr_array(absolute.T @ ones @ absolute + prior))

    def solve(self, covariances: Sequence[npt.ArrayLike], R0: npt.ArrayLike) -> "Solution":
        """Solve for given K per term, (t E, t E) trait-major, and R0 (t, t).

        Raises
        ------
        InputError
            A covariance is not positive definite.
        """
        return Solution(self, [np.asarray(K, dtype=float) for K in covariances], np.asarray(R0, dtype=float))


class Solution:
    """Solved equations. ``x`` holds the unknowns: terms in order, then fixed effects trait by trait."""

    def __init__(self, model: MixedModel, covariances: list[Floats], R0: Floats) -> None:
        self.model = model
        self.covariances = covariances
        self.R0 = R0
        for K, term in zip(covariances, model.terms, strict=True):
            require_positive_definite(K, term.name)
        require_positive_definite(R0, "R0")
        self.K_inverse = [np.linalg.inv(K) for K in covariances]
        patterns = model.recorded_patterns()
        self.R_inverse = model.residual_blocks([np.linalg.inv(R0[np.ix_(t, t)]) for t, _ in patterns])
        prior = [sparse.kron(term.precision, Ki) for term, Ki in zip(model.terms, self.K_inverse, strict=True)]
        empty = sparse.csr_array((model.n_fixed, model.n_fixed))
        C = sparse.block_diag([*prior, empty], format="csr")
        self.C = sparse.csr_array(model.W.T @ self.R_inverse @ model.W + C)
        self.rhs = np.asarray(model.W.T @ (self.R_inverse @ model.observed))
        self.factor = Factor(model.plan, self.C)
        x = self.factor.solve(self.rhs)
        x += self.factor.solve(self.rhs - self.C @ x)  # one step of refinement
        self.x = x
        scale = float(np.linalg.norm(self.rhs))
        self.relative_residual = float(np.linalg.norm(self.rhs - self.C @ x)) / scale if scale else 0.0

    def effects(self, term: int) -> Floats:
        """Predictions of a term, shape (n_levels, n_traits * n_effects)."""
        model = self.model
        part = self.x[model.starts[term] : model.starts[term + 1]]
        return part.reshape(-1, model.sizes[term])

    def fixed(self, trait: int) -> Floats:
        """Fixed effects of a trait, in the order of its design."""
        at = len(self.model.terms) + trait
        return self.x[self.model.starts[at] : self.model.starts[at + 1]]

    @cached_property
    def residuals(self) -> Floats:
        """Estimated residuals of the observations, shape (n_observed,)."""
        return np.asarray(self.model.observed - self.model.W @ self.x)

    @cached_property
    def yPy(self) -> float:  # noqa: N802 - the name of the quadratic form
        """y'Py of the restricted likelihood."""
        y = self.model.observed
        return float(y @ (self.R_inverse @ y) - self.x @ self.rhs)

    @cached_property
    def loglik(self) -> float:
        """Restricted log-likelihood with the constant (N - r) ln 2pi."""
        model = self.model
        log_R = 0.0
        for traits, where in model.recorded_patterns():
            log_R += len(where) * np.linalg.slogdet(self.R0[np.ix_(traits, traits)])[1]
        log_G = 0.0
        for term, K, q in zip(model.terms, self.covariances, model.sizes, strict=True):
            log_G += term.n_levels * np.linalg.slogdet(K)[1] + q * term.log_det
        free = model.n_observed - model.n_fixed
        return -0.5 * float(free * math.log(2 * math.pi) + self.factor.log_det + log_R + log_G + self.yPy)

    @cached_property
    def inverse(self) -> Csr:
        """Elements of C^-1 on the pattern: exact prediction-error (co)variances."""
        return self.factor.inverse_on_pattern()

    def error_blocks(self, term: int, left: Csr, right: Csr) -> Floats:
        """Joint prediction-error covariances of left[i] and right[i], shape (n, q, q).

        left, right : CSR (n, n_levels), weights of levels whose pairs are planned (``together``).
        """
        q = self.model.sizes[term]
        n = left.shape[0]
        result = np.zeros((n, q, q))
        step = max(1, 4_000_000 // (q * q))
        row, a, b, weight = _pairs(left, right)
        inverse, start = self.inverse, self.model.starts[term]
        offset = np.arange(q)
        for at in range(0, len(row), step):
            part = slice(at, at + step)
            rows = start + a[part, None, None] * q + offset[:, None]
            columns = start + b[part, None, None] * q + offset[None, :]
            rows, columns = np.broadcast_arrays(rows, columns)
            found = inverse.data[positions(inverse, rows.ravel(), columns.ravel())].reshape(-1, q, q)
            np.add.at(result, row[part], weight[part, None, None] * found)
        return result


def independent_columns(X: Csr, *, tolerance: float = 1e-9) -> Ints:
    """Columns that are not combinations of columns before them, (rank,).

    Notes
    -----
    The first columns that meet no other of them (the levels of one factor) are taken out in closed form;
    only what is left is dense.
    """
    XtX = sparse.csr_array(X.T @ X)
    p = XtX.shape[0]
    diagonal = XtX.diagonal()
    upper = sparse.triu(XtX, k=1, format="coo")
    met = upper.data != 0
    head = int(upper.col[met].min(initial=p))
    has = np.flatnonzero(diagonal[:head] > 0)
    if head == p:
        return has
    cross = XtX[has][:, head:]
    scaled = sparse.diags_array(1.0 / diagonal[has]) @ cross
    work = np.asarray((XtX[head:, head:] - cross.T @ scaled).toarray())
    keep: list[int] = []
    for j in range(p - head):
        if diagonal[head + j] > 0 and work[j, j] > tolerance * diagonal[head + j]:
            keep.append(head + j)
            column = work[j:, j] / work[j, j]
            work[j:, j:] -= np.outer(column, work[j, j:])
    return np.concatenate([has, np.array(keep, dtype=np.int64)])


def _missing_patterns(seen: np.ndarray[tuple[int, int], np.dtype[np.bool_]]) -> list[tuple[Ints, Ints]]:
    number = np.cumsum(seen.ravel()).reshape(seen.shape) - 1
    kinds, at = np.unique(seen, axis=0, return_inverse=True)
    patterns: list[tuple[Ints, Ints]] = []
    for k, kind in enumerate(kinds):
        traits = np.flatnonzero(kind)
        if len(traits):
            patterns.append((traits, number[np.ix_(np.flatnonzero(at.ravel() == k), traits)]))
    return patterns


def _pairs(left: Csr, right: Csr) -> tuple[Ints, Ints, Ints, Floats]:
    """All pairs (row, level of left, level of right, product of weights)."""
    first, second = left.tocoo(), right.tocsr()
    counts = np.diff(second.indptr)[first.row]
    row = np.repeat(first.row, counts)
    a = np.repeat(first.col, counts).astype(np.int64)
    begin = second.indptr[first.row]
    inner = np.arange(len(row)) - np.repeat(np.cumsum(counts) - counts, counts)
    at = np.repeat(begin, counts) + inner
    return row, a, second.indices[at].astype(np.int64), np.repeat(first.data, counts) * second.data[at]
