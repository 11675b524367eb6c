"""Optimum contributions on two paths: mothers of queens and drone producers, coancestry held.

    maximise z'c  subject to  1/2 z'A z <= theta,  sum x = 1, sum y = 1, 0 <= x, y <= cap,  z = (x/2, y/2)

References
----------
Meuwissen (1997), 10.2527/1997.754934x; Pong-Wong & Woolliams (2007), 10.1186/1297-9686-39-1-3
(dropping negative contributions one by one may miss the optimum, so the conic solver chooses the set).
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import clarabel
import numpy as np
from scipy import sparse

from breeding.genetics.nodes import NodeTable
from breeding.genetics.relationship import ancestors_of, ancestors_only
from breeding.genetics.tracing import Tracer
from breeding.genetics.types import Bools, Csr, Floats, InputError, Ints

# Contributions below this share of a path count as none [share of the path].
NOTHING = 1e-7
# Largest violation of the optimality conditions that still counts as optimal [of the largest criterion].
KKT_TOLERANCE = 1e-6


@dataclass(frozen=True)
class Contributions:
    """Contributions per path (sum 1); ``kkt`` is the largest violation of the optimality conditions."""

    max_coancestry: float
    status: Literal["optimal", "infeasible", "not_converged"]
    gain: float
    coancestry: float
    dam_path: Mapping[str, float]
    drone_path: Mapping[str, float]
    kkt: float
    message: str = ""


@dataclass(frozen=True)
class ContributionCurve:
    min_coancestry: float
    solutions: tuple[Contributions, ...]


@dataclass(frozen=True)
class _Problem:
    tracer: Tracer
    units: Csr
    P: Csr
    D: Floats
    c: Floats
    path_of: Ints  # 0 dam path, 1 drone path
    cap: Floats

    def times(self, z: Floats) -> Floats:
        """A* z without the matrix, (n_units,)."""
        return np.asarray(self.units @ self.tracer.times(self.units, z[:, None])[:, 0])

    @property
    def sums(self) -> Csr:
        """S of S z = (1/2, 1/2), (2, n_units)."""
        n = len(self.c)
        return sparse.csr_array((np.ones(n), (self.path_of, np.arange(n))), shape=(2, n))


def optimum_contributions(
    table: NodeTable,
    dam_path: Mapping[str, float],
    drone_path: Mapping[str, float],
    max_coancestry: Sequence[float],
    *,
    cap: Mapping[str, float] | None = None,
    path: str = "contributions",
) -> ContributionCurve:
    """Best contributions for each ceiling of the mean coancestry of the next generation.

    Parameters
    ----------
    dam_path : mated queen -> criterion of her worker group (the mean of her daughters).
    drone_path : drone-producing queen -> criterion of her own genes, same unit.
    max_coancestry : ceilings theta, each solved by itself.
    cap : candidate -> largest share of a path, on each path she is a candidate for; ``W:Q`` and ``Q``
        tell the dam path from the drone path where both are needed.

    Returns
    -------
    ContributionCurve
        ``gain`` is z'c, half of each path's mean. Below ``min_coancestry`` nothing is feasible.

    Raises
    ------
    InputError
        No candidate, unknown queen, caps that leave less than a whole path.

    Notes
    -----
    Conic program in the sparse pedigree form: (I - P)' w = U'z, coancestry 1/2 sum D w^2; then the
    closed form on the free candidates, then the optimality conditions of all candidates.
    """
    problem, names = _set_up(table, dam_path, drone_path, cap or {}, path)
    least = _solve(problem, None)
    z = _polish_least(problem, least[0])
    minimum = 0.5 * float(z @ problem.times(z))
    solutions: list[Contributions] = []
    for theta in max_coancestry:
        if theta < minimum * (1 - 1e-9) - 1e-12:
            message = f"The smallest possible mean coancestry is {minimum:.6f}."
            solutions.append(Contributions(theta, "infeasible", float("nan"), float("nan"), {}, {}, 0.0, message))
            continue
        solutions.append(_optimum(problem, theta, names, minimum, z))
    return ContributionCurve(minimum, tuple(solutions))


def _set_up(
    table: NodeTable,
    dam_path: Mapping[str, float],
    drone_path: Mapping[str, float],
    cap: Mapping[str, float],
    path: str,
) -> tuple[_Problem, tuple[list[str], list[str]]]:
    if not dam_path:
        raise InputError(f"{path}.dam_path", "needs at least one candidate")
    if not drone_path:
        raise InputError(f"{path}.drone_path", "needs at least one candidate")
    dams, drones = list(dam_path), list(drone_path)
    rows = sparse.vstack(
        [
            table.units([f"W:{q}" for q in dams], path=f"{path}.dam_path"),
            table.units(drones, path=f"{path}.drone_path"),
        ],
        format="csr",
    )
    known = {*dams, *drones, *(f"W:{q}" for q in dams)}
    for name, value in cap.items():
        if name not in known:
            raise InputError(f"{path}.cap.{name}", f'"{name}" is no candidate')
        if not value >= 0:
            raise InputError(f"{path}.cap.{name}", f"must not be below 0, not {value:g}")
    limits = [min(1.0, cap.get(f"W:{q}", cap.get(q, 1.0))) for q in dams]
    limits += [min(1.0, cap.get(q, 1.0)) for q in drones]
    for name, part in (("dam_path", limits[: len(dams)]), ("drone_path", limits[len(dams) :])):
        if sum(part) < 1 - 1e-9:
            raise InputError(f"{path}.cap", f"leaves only {sum(part):g} of the {name}")
    tracer, units = ancestors_only(table, rows)
    nodes = ancestors_of(table, rows)
    c = np.array([*dam_path.values(), *drone_path.values()], dtype=float)
    which = np.repeat([0, 1], [len(dams), len(drones)])
    return _Problem(tracer, units, table.P[nodes][:, nodes], table.D[nodes], c, which, 0.5 * np.array(limits)), (
        dams,
        drones,
    )


def _solve(problem: _Problem, theta: float | None) -> tuple[Floats, str]:
    """Conic solution z; ``theta`` None minimises the coancestry instead."""
    n, m = problem.units.shape
    scale = max(float(np.abs(problem.c).max()), 1e-12)
    step = sparse.eye_array(m, format="csc") - problem.P.T
    zero = sparse.csc_array
    equal = sparse.block_array([[problem.sums, zero((2, m))], [-problem.units.T, step]], format="csc")
    bounds = sparse.block_array(
        [[-sparse.eye_array(n), zero((n, m))], [sparse.eye_array(n), zero((n, m))]], format="csc"
    )
    b = [np.array([0.5, 0.5]), np.zeros(m), np.zeros(n), problem.cap]
    A, cones = [equal, bounds], [clarabel.ZeroConeT(2 + m), clarabel.NonnegativeConeT(2 * n)]
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
    settings.tol_gap_abs = settings.tol_gap_rel = settings.tol_feas = 1e-10
    stacked = sparse.csc_matrix(sparse.vstack(A, format="csc"))
    made = clarabel.DefaultSolver(
        sparse.csc_matrix(sparse.triu(Q)), q, stacked, np.concatenate(b), cones, settings
    ).solve()
    return np.clip(np.array(made.x[:n]), 0.0, problem.cap), str(made.status)


def _free(problem: _Problem, z: Floats) -> tuple[Bools, Floats]:
    """Which contributions lie strictly inside their bounds, and the fixed part of all others."""
    at_cap = z > problem.cap - NOTHING
    fixed = np.where(at_cap, problem.cap, 0.0)
    free = (z > NOTHING) & ~at_cap
    return free, np.where(free, 0.0, fixed)


def _affine(problem: _Problem, z: Floats) -> tuple[Bools, Floats, Floats, Floats] | None:
    """Closed form on the free set: z = fixed + p + q tau, tau = 1 / multiplier of the coancestry."""
    free, fixed = _free(problem, z)
    at = np.flatnonzero(free)
    S = problem.sums.toarray()[:, at]
    rest = 0.5 - problem.sums @ fixed
    used = S.any(axis=1)
    if not len(at) or np.abs(rest[~used]).max(initial=0.0) > 1e-6:
        return None
    S, rest = S[used], rest[used]
    k, n_paths = len(at), int(used.sum())
    A = problem.tracer.matrix(problem.units[at])
    # Two candidates may be made of the same genes, so the system is solved by least squares.
    bordered = np.block([[A, S.T], [S, np.zeros((n_paths, n_paths))]])
    b = problem.times(fixed)[at]
    right = np.zeros((k + n_paths, 2))
    right[:k, 0], right[k:, 0], right[:k, 1] = -b, rest, problem.c[at]
    found = np.linalg.lstsq(bordered, right, rcond=1e-12)[0]
    if np.abs(bordered @ found - right).max() > 1e-8 * np.abs(right).max():
        return None
    p, q = np.zeros(len(z)), np.zeros(len(z))
    p[at], q[at] = found[:k, 0], found[:k, 1]
    return free, fixed, p, q


def _polish_least(problem: _Problem, z: Floats) -> Floats:
    made = _affine(problem, z)
    if made is None:
        return z
    _, fixed, p, _ = made
    polished = fixed + p
    if (polished < -NOTHING).any() or (polished > problem.cap + NOTHING).any():
        return z
    return np.clip(polished, 0.0, problem.cap)


def _polish(problem: _Problem, z: Floats, theta: float) -> tuple[Floats, float]:
    """Contributions on the free set in closed form, and the multiplier of the coancestry."""
    made = _affine(problem, z)
    if made is None:
        return z, _multiplier(problem, z)
    _, fixed, p, q = made
    base, Aq = fixed + p, problem.times(q)
    # 1/2 (base + q tau)'A(base + q tau) = theta
    a, half, rest = 0.5 * q @ Aq, base @ Aq, 0.5 * base @ problem.times(base) - theta
    square = half * half - 4 * a * rest
    if a <= 0 or square < 0:
        return z, _multiplier(problem, z)
    tau = (-half + np.sqrt(square)) / (2 * a)
    polished = base + q * tau
    if tau <= 0 or (polished < -NOTHING).any() or (polished > problem.cap + NOTHING).any():
        return z, _multiplier(problem, z)
    return np.clip(polished, 0.0, problem.cap), 1.0 / float(tau)


def _multiplier(problem: _Problem, z: Floats) -> float:
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


def _kkt(problem: _Problem, z: Floats, multiplier: float) -> float:
    """Largest violation of stationarity and signs, relative to the largest criterion."""
    slope = problem.c - multiplier * problem.times(z)
    worst = 0.0
    for path in (0, 1):
        on = problem.path_of == path
        low, high = z[on] <= NOTHING, z[on] >= problem.cap[on] - NOTHING
        inside = slope[on][~low & ~high]
        level = float(inside.mean()) if len(inside) else None
        upper, lower = slope[on][low & ~high], slope[on][high]
        if level is None:  # any level between the best unused and the worst fully used will do
            worst = max(worst, float(upper.max(initial=-np.inf) - lower.min(initial=np.inf)))
            continue
        worst = max(
            worst,
            float(np.abs(inside - level).max()),
            float((upper - level).max(initial=0.0)),
            float((level - lower).max(initial=0.0)),
        )
    return worst / max(float(np.abs(problem.c).max()), 1e-12)


def _optimum(
    problem: _Problem, theta: float, names: tuple[list[str], list[str]], minimum: float, least: Floats
) -> Contributions:
    z, status = _solve(problem, theta)
    best = _unlimited(problem)
    if 0.5 * float(best @ problem.times(best)) <= theta * (1 + 1e-12):
        z, multiplier = best, 0.0
    elif theta <= minimum * (1 + 1e-9):
        z, multiplier = least, np.inf
    else:
        z, multiplier = _polish(problem, z, theta)
    violation = 0.0 if np.isinf(multiplier) else _kkt(problem, z, multiplier)
    coancestry = 0.5 * float(z @ problem.times(z))
    good = violation <= KKT_TOLERANCE and coancestry <= theta * (1 + 1e-7) + 1e-12
    message = "" if good else f"solver: {status}; optimality conditions violated by {violation:.2g}"
    n = len(names[0])
    share = 2.0 * z
    return Contributions(
        theta,
        "optimal" if good else "not_converged",
        float(z @ problem.c),
        coancestry,
        dict(zip(names[0], share[:n].tolist(), strict=True)),
        dict(zip(names[1], share[n:].tolist(), strict=True)),
        violation,
        message,
    )


def _unlimited(problem: _Problem) -> Floats:
    """Best contributions without a ceiling: each path filled from its best candidate, ties shared."""
    z = np.zeros(len(problem.c))
    for path in (0, 1):
        on = np.flatnonzero(problem.path_of == path)
        left = 0.5
        for value in np.unique(problem.c[on])[::-1]:
            tied = on[problem.c[on] == value]
            room = float(problem.cap[tied].sum())
            z[tied] = problem.cap[tied] * min(1.0, left / room) if room > 0 else 0.0
            left -= float(z[tied].sum())
            if left <= 1e-15:
                break
    return z
