"""The numbers behind optimum contributions: conic program, closed form on the free candidates, optimality conditions.

    maximise z'c  or  minimise 1/2 z'A z   subject to  S z = (1/2, 1/2),  low <= z <= cap  [and 1/2 z'A z <= theta]

The pedigree enters as sparse equations, (I - P)'w = U'z with 1/2 z'A z = 1/2 sum D w^2; A itself is never made.

References
----------
Meuwissen (1997), 10.2527/1997.754934x (closed form); Pong-Wong & Woolliams (2007), 10.1186/1297-9686-39-1-3
(dropping negative contributions one by one may miss the optimum: the conic solver chooses who is free, and the
conditions of Karush, Kuhn and Tucker are checked for everybody afterwards).
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, TypeAlias

import clarabel
import numpy as np
from scipy import sparse

from breeding.genetics.contribution_closed_form import LEAST_SQUARES_UP_TO, polished_below, polished_least
from breeding.genetics.contribution_problem import NOTHING, Problem, kkt_violation
from breeding.genetics.types import Bools, Floats

# Largest violation of the optimality conditions that still counts as optimal [of the largest criterion].
KKT_TOLERANCE = 1e-6
# Violation from which the solver's own answer to the least coancestry is polished where that costs much.
CLOSE = 1e-7
# Candidates above which every cap becomes a row of the cone program [-]; measured, see the benchmarks.
ALL_CAPS_ABOVE = 2000


# Candidates up to which all are solved at once, and how many are tried first above that [-].
SMALL, FIRST = 2000, 200
# Room below the ceiling that the first ones must leave, so that the cone is not a point [of the ceiling].
MARGIN = 0.01
COLUMN_ROUNDS = 15
Found: TypeAlias = tuple[Floats, float, str]  # contributions, multiplier, word of the solver


@dataclass(frozen=True)
class Solution:
    """``z``: half shares; ``multiplier``: price of coancestry, inf at its least; ``kkt``: largest violation."""

    z: Floats
    multiplier: float
    kkt: float
    solver: str


def least_coancestry(problem: Problem) -> Solution:
    """The contributions with the smallest mean coancestry."""
    z, multiplier, status = _least(problem)
    return Solution(z, multiplier, kkt_violation(problem, z, multiplier), status)


def best_below(problem: Problem, theta: float, least: Solution) -> Solution:
    """The contributions with the highest z'c whose mean coancestry is at most theta (feasible)."""
    free_of_ceiling = _unlimited(problem)
    if problem.coancestry(free_of_ceiling) <= theta * (1 + 1e-12):
        return Solution(free_of_ceiling, 0.0, kkt_violation(problem, free_of_ceiling, 0.0), "sorted")
    if theta <= problem.coancestry(least.z) * (1 + 1e-9):
        return least
    if _all_alike(problem):
        return Solution(least.z, 0.0, kkt_violation(problem, least.z, 0.0), least.solver)
    first = FIRST
    start = _first_tried(problem, least, first)
    while 2 * first < len(problem.c) and not _can_hold(problem, start, least, theta):
        first *= 2
        start = _first_tried(problem, least, first)
    return _by_columns(problem, start, lambda part: _best(part, theta))


def _first_tried(problem: Problem, least: Solution, number: int) -> Bools:
    """On each path half of them of the highest criterion, half of those used most where coancestry is least."""
    made = problem.low > 0
    for path in (0, 1):
        on = np.flatnonzero(problem.path_of == path)
        for key in (-problem.c, -least.z):
            made[on[np.argsort(key[on], kind="stable")][: max(8, number // 4)]] = True
    return made


def _by_columns(problem: Problem, active: Bools, solve: Callable[[Problem], Found]) -> Solution:
    """Solve with some candidates, then with those as well who would improve it, until nobody would.

    The result is that of all candidates: whoever is left out fails no condition of the optimum. Exact, and quick
    because few are used; where it does not end, all are solved at once.
    """
    n = len(problem.c)
    for _ in range(COLUMN_ROUNDS if n > SMALL else 0):
        at = np.flatnonzero(active)
        if len(at) > n // 2 or (np.bincount(problem.path_of[at], problem.cap[at], minlength=2) < 0.5).any():
            break
        z_part, multiplier, status = solve(problem.subset(at))
        z = problem.low.copy()
        z[at] = z_part
        slope = _slope(problem, z, multiplier)
        better = np.flatnonzero(_would_improve(problem, z, slope, multiplier) & ~active)
        if not len(better):
            found = Solution(z, multiplier, kkt_violation(problem, z, multiplier), status)
            if found.kkt <= KKT_TOLERANCE:
                return found
            break
        active = active.copy()
        active[better[np.argsort(-slope[better])][: max(50, len(at) // 2)]] = True
    z, multiplier, status = solve(problem)
    return Solution(z, multiplier, kkt_violation(problem, z, multiplier), status)


def _least(problem: Problem) -> Found:
    z, status = _conic(problem, None)
    many = np.count_nonzero(z > problem.low + NOTHING) > LEAST_SQUARES_UP_TO
    if not (many and kkt_violation(problem, z, np.inf) <= CLOSE):
        z = polished_least(problem, z)
    return z, np.inf, status


def _best(problem: Problem, theta: float) -> Found:
    z, status = _conic(problem, theta)
    z, multiplier = polished_below(problem, z, theta)
    return z, multiplier, status


def _can_hold(problem: Problem, active: Bools, least: Solution, theta: float) -> bool:
    """Can these candidates alone stay below the ceiling? Their part of the least coancestry, filled up, says so."""
    z = np.where(active, least.z, 0.0)
    for path in (0, 1):
        on = active & (problem.path_of == path)
        if not z[on].sum() > 0:
            return False
        z[on] *= 0.5 / z[on].sum()
    return bool((z <= problem.cap + NOTHING).all()) and problem.coancestry(z) <= (1 - MARGIN) * theta


def _slope(problem: Problem, z: Floats, multiplier: float) -> Floats:
    load = problem.times(z)
    return -load if np.isinf(multiplier) else problem.c - multiplier * load


def _would_improve(problem: Problem, z: Floats, slope: Floats, multiplier: float) -> Bools:
    """Whose slope lies above the common level of those used on her path."""
    scale = float(np.abs(slope).max() if np.isinf(multiplier) else np.abs(problem.c).max())
    made = np.zeros(len(z), dtype=bool)
    for path in (0, 1):
        on = problem.path_of == path
        inside = on & (z > problem.low + NOTHING) & (z < problem.cap - NOTHING)
        used = inside if inside.any() else on & (z > problem.low + NOTHING)
        level = float(slope[used].mean() if inside.any() else slope[used].min()) if used.any() else -np.inf
        made |= on & (slope > level + 0.1 * KKT_TOLERANCE * scale)
    return made


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
