"""The numbers behind optimum contributions: conic program, closed form on the free candidates, optimality conditions.

    maximise z'c  or  minimise 1/2 z'A z   subject to  S z = (1/2, 1/2),  low <= z <= cap  [and 1/2 z'A z <= theta]

The pedigree enters as sparse equations, (I - P)'w = U'z with 1/2 z'A z = 1/2 sum D w^2; A itself is never made.

References
----------
Meuwissen (1997), 10.2527/1997.754934x (closed form); Pong-Wong & Woolliams (2007), 10.1186/1297-9686-39-1-3
(dropping negative contributions one by one may miss the optimum: the conic solver chooses who is free, and the
conditions of Karush, Kuhn and Tucker are checked for everybody afterwards).
"""

from dataclasses import dataclass
from typing import Any

import clarabel
import numpy as np
from scipy import sparse
from scipy.sparse.linalg import splu

from breeding.genetics.tracing import Tracer
from breeding.genetics.types import Bools, Csr, Floats, Ints

# Contributions within this of a bound count as on it [half shares of a path].
NOTHING = 1e-7
# Largest violation of the optimality conditions that still counts as optimal [of the largest criterion].
KKT_TOLERANCE = 1e-6
# Violation from which the solver's own answer to the least coancestry is polished where that costs much.
CLOSE = 1e-7
# Free candidates up to which the closed form is solved densely (and may be singular) [-].
DENSE_UP_TO = 80
# Candidates above which every cap becomes a row of the cone program [-]; measured, see the benchmarks.
ALL_CAPS_ABOVE = 2000
# Rounds in which the closed form may set candidates on a bound they crossed by rounding.
POLISH_ROUNDS = 4


@dataclass(frozen=True)
class Problem:
    """``units``: CSR (n_units, n_nodes); ``path_of``: 0 dam path, 1 drone path; bounds in half shares of a path."""

    tracer: Tracer
    units: Csr
    P: Csr
    D: Floats
    c: Floats
    path_of: Ints
    low: Floats
    cap: Floats

    def times(self, z: Floats) -> Floats:
        """A z without the matrix, (n_units,)."""
        return np.asarray(self.units @ self.tracer.times(self.units, z[:, None])[:, 0])

    def coancestry(self, z: Floats) -> float:
        """Mean coancestry of the next generation, 1/2 z'A z."""
        return 0.5 * float(z @ self.times(z))

    @property
    def sums(self) -> Csr:
        """S of S z = (1/2, 1/2), (2, n_units)."""
        n = len(self.c)
        return sparse.csr_array((np.ones(n), (self.path_of, np.arange(n))), shape=(2, n))


@dataclass(frozen=True)
class Solution:
    """``z``: half shares; ``multiplier``: price of coancestry, inf at its least; ``kkt``: largest violation."""

    z: Floats
    multiplier: float
    kkt: float
    solver: str


def least_coancestry(problem: Problem) -> Solution:
    """The contributions with the smallest mean coancestry."""
    z, status = _conic(problem, None)
    exact = np.count_nonzero(z > problem.low + NOTHING) > DENSE_UP_TO and kkt_violation(problem, z, np.inf) <= CLOSE
    polished = z if exact else _polish_least(problem, z)
    return Solution(polished, np.inf, kkt_violation(problem, polished, np.inf), status)


def best_below(problem: Problem, theta: float, least: Solution) -> Solution:
    """The contributions with the highest z'c whose mean coancestry is at most theta (feasible)."""
    free_of_ceiling = _unlimited(problem)
    if problem.coancestry(free_of_ceiling) <= theta * (1 + 1e-12):
        return Solution(free_of_ceiling, 0.0, kkt_violation(problem, free_of_ceiling, 0.0), "sorted")
    if theta <= problem.coancestry(least.z) * (1 + 1e-9):
        return least
    if _all_alike(problem):
        return Solution(least.z, 0.0, kkt_violation(problem, least.z, 0.0), least.solver)
    z, status = _conic(problem, theta)
    z, multiplier = _polish(problem, z, theta)
    return Solution(z, multiplier, kkt_violation(problem, z, multiplier), status)


def kkt_violation(problem: Problem, z: Floats, multiplier: float) -> float:
    """Largest violation of stationarity, signs, sums and bounds, as a share of the largest criterion.

    multiplier inf: of the least coancestry, as a share of the largest relationship with the mean.
    """
    if np.isinf(multiplier):
        slope = -problem.times(z)
        scale = float(np.abs(slope).max())
    else:
        slope = problem.c - multiplier * problem.times(z)
        scale = float(np.abs(problem.c).max())
    worst = scale * max(
        2 * float(np.abs(problem.sums @ z - 0.5).max()),
        2 * float((problem.low - z).max()),
        2 * float((z - problem.cap).max()),
    )
    for path in (0, 1):
        on = problem.path_of == path
        low, high = z[on] <= problem.low[on] + NOTHING, z[on] >= problem.cap[on] - NOTHING
        inside = slope[on][~low & ~high]
        upper, lower = slope[on][low & ~high], slope[on][high & ~low]
        if not len(inside):  # any level between the best at the lower and the worst at the upper bound will do
            worst = max(worst, float(upper.max(initial=-np.inf) - lower.min(initial=np.inf)))
            continue
        level = float(inside.mean())
        worst = max(
            worst,
            float(np.abs(inside - level).max()),
            float((upper - level).max(initial=0.0)),
            float((level - lower).max(initial=0.0)),
        )
    return worst / max(scale, 1e-12)


def _all_alike(problem: Problem) -> bool:
    """Is the criterion the same for everybody on each path, so that every choice gains the same?"""
    room = problem.cap > problem.low
    spreads = [np.ptp(problem.c[room & (problem.path_of == p)]) for p in (0, 1) if room[problem.path_of == p].any()]
    return max(spreads, default=0.0) <= 1e-12 * float(np.abs(problem.c).max())


def _conic(problem: Problem, theta: float | None) -> tuple[Floats, str]:
    """Solution z of the conic program; ``theta`` None minimises the coancestry instead."""
    n, m = problem.units.shape
    scale = max(float(np.abs(problem.c).max()), 1e-12)
    step = sparse.eye_array(m, format="csc") - problem.P.T
    zero = sparse.csc_array
    # The sums hold whoever has no cap. Large cones are ordered with a third of the fill when all caps are rows.
    capped = np.flatnonzero((problem.cap < 0.5) | (theta is not None and n > ALL_CAPS_ABOVE))
    upper = sparse.csr_array((np.ones(len(capped)), (np.arange(len(capped)), capped)), shape=(len(capped), n))
    A = [
        sparse.block_array([[problem.sums, zero((2, m))], [-problem.units.T, step]], format="csc"),
        sparse.block_array([[-sparse.eye_array(n), zero((n, m))]], format="csc"),
        sparse.block_array([[upper, zero((len(capped), m))]], format="csc"),
    ]
    b = [np.array([0.5, 0.5]), np.zeros(m), -problem.low, problem.cap[capped]]
    cones = [clarabel.ZeroConeT(2 + m), clarabel.NonnegativeConeT(n + len(capped))]
    Q = sparse.csc_array((n + m, n + m))
    q = np.zeros(n + m)
    if theta is None:
        Q = sparse.block_diag([zero((n, n)), sparse.diags_array(problem.D)], format="csc")
    else:
        q[:n] = -problem.c / scale
        root = sparse.diags_array(np.sqrt(problem.D))
        A.append(sparse.block_array([[zero((1, n)), zero((1, m))], [zero((m, n)), -root]], format="csc"))
        b.append(np.concatenate([[np.sqrt(2 * theta)], np.zeros(m)]))
        cones.append(clarabel.SecondOrderConeT(m + 1))
    settings: Any = clarabel.DefaultSettings()
    settings.verbose = False
    settings.max_threads = 1
    settings.tol_gap_abs = settings.tol_gap_rel = settings.tol_feas = 1e-10
    stacked = sparse.csc_matrix(sparse.vstack(A, format="csc"))
    made = clarabel.DefaultSolver(
        sparse.csc_matrix(sparse.triu(Q)), q, stacked, np.concatenate(b), cones, settings
    ).solve()
    return np.clip(np.array(made.x[:n]), problem.low, problem.cap), str(made.status)


def _free(problem: Problem, z: Floats) -> tuple[Bools, Floats]:
    """Which contributions lie strictly inside their bounds, and the fixed part of all others."""
    at_cap = z > problem.cap - NOTHING
    fixed = np.where(at_cap, problem.cap, problem.low)
    free = (z > problem.low + NOTHING) & ~at_cap
    return free, np.where(free, 0.0, fixed)


def _affine(problem: Problem, z: Floats, *, with_criterion: bool) -> tuple[Floats, Floats] | None:
    """Closed form on the free candidates: z = base + q tau, tau = 1 / multiplier of the coancestry.

    Without the criterion q is 0: among candidates of the same genes it may have no answer where base has one.
    """
    free, fixed = _free(problem, z)
    at = np.flatnonzero(free)
    S = problem.sums[:, at]
    rest = 0.5 - problem.sums @ fixed
    used = np.asarray(S.sum(axis=1)) > 0
    if not len(at) or np.abs(rest[~used]).max(initial=0.0) > 1e-6:
        return None
    S, rest = sparse.csr_array(S.toarray()[used]), rest[used]
    solve = _solve_dense if len(at) <= DENSE_UP_TO else _solve_sparse
    right = np.zeros((len(at) + len(rest), 2 if with_criterion else 1))
    right[: len(at), 0], right[len(at) :, 0] = -problem.times(fixed)[at], rest
    if with_criterion:
        right[: len(at), 1] = problem.c[at]
    found = solve(problem, at, S, right)
    if found is None:
        return None
    base, q = fixed.copy(), np.zeros(len(z))
    base[at] += found[:, 0]
    if with_criterion:
        q[at] = found[:, 1]
    return base, q


def _solve_dense(problem: Problem, at: Ints, S: Csr, right: Floats) -> Floats | None:
    """Contributions (k, columns of right). Two candidates may be made of the same genes, so by least squares."""
    k, n_paths = len(at), S.shape[0]
    A = problem.tracer.matrix(problem.units[at])
    bordered = np.block([[A, S.toarray().T], [S.toarray(), np.zeros((n_paths, n_paths))]])
    found = np.linalg.lstsq(bordered, right, rcond=1e-12)[0]
    if np.abs(bordered @ found - right).max() > 1e-8 * np.abs(right).max():
        return None
    return np.asarray(found[:k])


def _solve_sparse(problem: Problem, at: Ints, S: Csr, right: Floats) -> Floats | None:
    """The same with the pedigree as equations: unknowns z, the sums' prices, w and (I - P)^-1 D w."""
    U = problem.units[at]
    step = sparse.eye_array(problem.units.shape[1]) - problem.P
    K = sparse.block_array(
        [
            [None, S.T, None, U],
            [S, None, None, None],
            [None, None, sparse.diags_array(-problem.D), step],
            [U.T, None, -step.T, None],
        ],
        format="csc",
    )
    b = np.zeros((K.shape[0], right.shape[1]))
    b[: len(right)] = right
    try:
        found = splu(K).solve(b)
    except RuntimeError:  # exactly singular: candidates made of the same genes
        return None
    if not np.abs(K @ found - b).max() <= 1e-8 * np.abs(b).max():
        return None
    return np.asarray(found[: len(at)])


def _crosses_bounds(problem: Problem, z: Floats) -> bool:
    return bool((z < problem.low - NOTHING).any() or (z > problem.cap + NOTHING).any())


def _polish_least(problem: Problem, z: Floats) -> Floats:
    tried = z
    for _ in range(POLISH_ROUNDS):
        made = _affine(problem, tried, with_criterion=False)
        if made is None:
            return z
        if not _crosses_bounds(problem, made[0]):
            return np.clip(made[0], problem.low, problem.cap)
        tried = np.clip(made[0], problem.low, problem.cap)
    return z


def _polish(problem: Problem, z: Floats, theta: float) -> tuple[Floats, float]:
    """Contributions on the free set in closed form, and the multiplier of the coancestry."""
    tried = z
    for _ in range(POLISH_ROUNDS):
        made = _affine(problem, tried, with_criterion=True)
        if made is None:
            break
        base, q = made
        Aq = problem.times(q)
        # 1/2 (base + q tau)'A(base + q tau) = theta
        a, half, rest = 0.5 * q @ Aq, base @ Aq, problem.coancestry(base) - theta
        square = half * half - 4 * a * rest
        if a <= 0 or square < 0:
            break
        tau = (-half + np.sqrt(square)) / (2 * a)
        if tau <= 0:
            break
        polished = base + q * tau
        if not _crosses_bounds(problem, polished):
            return np.clip(polished, problem.low, problem.cap), 1.0 / float(tau)
        tried = np.clip(polished, problem.low, problem.cap)
    return z, _multiplier(problem, z)


def _multiplier(problem: Problem, z: Floats) -> float:
    """Multiplier of the coancestry that fits the slopes of the free candidates best."""
    free, _ = _free(problem, z)
    slope, load = problem.c.copy(), problem.times(z)
    for path in (0, 1):
        on = free & (problem.path_of == path)
        if on.any():
            slope[on] -= slope[on].mean()
            load[on] -= load[on].mean()
    square = float(load[free] @ load[free])
    return max(0.0, float(slope[free] @ load[free]) / square) if square > 0 else 0.0


def _unlimited(problem: Problem) -> Floats:
    """Best contributions without a ceiling: each path filled from its best candidate, ties shared."""
    z = problem.low.copy()
    room = problem.cap - problem.low
    for path in (0, 1):
        on = np.flatnonzero(problem.path_of == path)
        left = 0.5 - float(z[on].sum())
        for value in np.unique(problem.c[on])[::-1]:
            if left <= 1e-15:
                break
            tied = on[problem.c[on] == value]
            whole = float(room[tied].sum())
            added = room[tied] * min(1.0, left / whole) if whole > 0 else np.zeros(len(tied))
            z[tied] += added
            left -= float(added.sum())
    return z
