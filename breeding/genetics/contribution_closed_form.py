"""Contributions of the candidates strictly inside their bounds, in closed form.

References
----------
Meuwissen (1997), 10.2527/1997.754934x.
"""

import numpy as np
from scipy import sparse
from scipy.sparse.linalg import splu

from breeding.genetics.contribution_problem import NOTHING, Problem
from breeding.genetics.types import Bools, Csr, Floats, Ints

# Free candidates up to which the closed form is solved densely, and by least squares (it may be singular) [-].
DENSE_UP_TO = 400
LEAST_SQUARES_UP_TO = 80
# Rounds in which the closed form may set candidates on a bound they crossed by rounding.
POLISH_ROUNDS = 4


def polished_least(problem: Problem, z: Floats) -> Floats:
    tried = z
    for _ in range(POLISH_ROUNDS):
        made = _affine(problem, tried, with_criterion=False)
        if made is None:
            return z
        if not _crosses_bounds(problem, made[0]):
            return np.clip(made[0], problem.low, problem.cap)
        tried = np.clip(made[0], problem.low, problem.cap)
    return z


def polished_below(problem: Problem, z: Floats, theta: float) -> tuple[Floats, float]:
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
    """Contributions (k, columns of right); by least squares where two candidates are made of the same genes."""
    k, n_paths = len(at), S.shape[0]
    A = problem.tracer.matrix(problem.units[at])
    bordered = np.block([[A, S.toarray().T], [S.toarray(), np.zeros((n_paths, n_paths))]])
    try:
        found = (
            np.linalg.lstsq(bordered, right, rcond=1e-12)[0]
            if k <= LEAST_SQUARES_UP_TO
            else np.linalg.solve(bordered, right)
        )
    except np.linalg.LinAlgError:
        return None
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
