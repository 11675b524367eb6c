"""Optimum contributions on two paths: mothers of queens and drone producers, coancestry held.

    maximise z'c  subject to  1/2 z'A z <= theta,  sum x = 1, sum y = 1, low <= x, y <= cap,  z = (x/2, y/2)

References
----------
Meuwissen (1997), 10.2527/1997.754934x; Pong-Wong & Woolliams (2007), 10.1186/1297-9686-39-1-3.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from scipy import sparse

from breeding.genetics.contribution_problem import Problem
from breeding.genetics.contribution_solver import KKT_TOLERANCE, Solution, best_below, least_coancestry
from breeding.genetics.nodes import NodeTable
from breeding.genetics.relationship import ancestors_of, ancestors_only
from breeding.genetics.types import Floats, InputError

# Rounds in which candidates below the smallest use are taken out.
USE_ROUNDS = 60


@dataclass(frozen=True)
class Contributions:
    """Contributions per path (sum 1); ``kkt`` is the largest violation of the optimality conditions.

    ``gain_lost``: what a smallest use costs against the same ceiling without it, in the unit of the criterion.
    """

    max_coancestry: float
    status: Literal["optimal", "infeasible", "not_converged"]
    gain: float
    coancestry: float
    dam_path: Mapping[str, float]
    drone_path: Mapping[str, float]
    kkt: float
    message: str = ""
    gain_lost: float = 0.0


@dataclass(frozen=True)
class ContributionCurve:
    """``least``: the contributions of the smallest coancestry possible, whatever their gain."""

    min_coancestry: float
    solutions: tuple[Contributions, ...]
    least: Contributions


@dataclass(frozen=True)
class _Names:
    dams: list[str]
    drones: list[str]


def optimum_contributions(
    table: NodeTable,
    dam_path: Mapping[str, float],
    drone_path: Mapping[str, float],
    max_coancestry: Sequence[float],
    *,
    cap: Mapping[str, float] | None = None,
    least_use: Mapping[str, float] | None = None,
    smallest_use: tuple[float, float] = (0.0, 0.0),
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
    least_use : candidate -> smallest share of a path, named alike; she is used in any case.
    smallest_use : share of the dam and of the drone path below which nobody is used at all (who raises
        one daughter of a mother, or comb for one drone?). [shares of a path]

    Returns
    -------
    ContributionCurve
        ``gain`` is z'c, half of each path's mean. Below ``min_coancestry`` nothing is feasible. A solution whose
        optimality conditions fail is named ``not_converged`` and says by how much.

    Raises
    ------
    InputError
        No candidate, unknown queen, bounds that cannot be met.

    Notes
    -----
    Conic program in the sparse pedigree form, then the closed form on the free candidates, then the optimality
    conditions of all candidates (``contribution_solver``). A smallest use makes the problem combinatorial: the
    least used candidate below it is taken out and the rest solved anew until all are used enough; each solution
    is optimal for those left, and ``gain_lost`` bounds what a better choice of candidates could still gain.
    """
    problem, names = _set_up(table, dam_path, drone_path, cap or {}, least_use or {}, path)
    for name, share in zip(("dam_path", "drone_path"), smallest_use, strict=True):
        if not 0 <= share <= 1:
            raise InputError(f"{path}.smallest_use.{name}", f"must be between 0 and 1, not {share:g}")
    least = least_coancestry(problem)
    minimum = problem.coancestry(least.z)
    answers: list[Contributions] = []
    for theta in max_coancestry:
        if theta < minimum * (1 - 1e-9) - 1e-12:
            message = f"The smallest possible mean coancestry is {minimum:.6f}."
            answers.append(Contributions(theta, "infeasible", float("nan"), float("nan"), {}, {}, 0.0, message))
            continue
        found = _answer(problem, best_below(problem, theta, least), theta, names)
        if any(smallest_use):
            found = _used_enough(problem, found, names, np.array(smallest_use), theta)
        answers.append(found)
    return ContributionCurve(minimum, tuple(answers), _answer(problem, least, minimum, names))


def outcome_of(
    table: NodeTable,
    dam_path: Mapping[str, float],
    drone_path: Mapping[str, float],
    dam_shares: Mapping[str, float],
    drone_shares: Mapping[str, float],
    *,
    path: str = "contributions",
) -> tuple[float, float]:
    """Gain z'c and mean coancestry 1/2 z'A z of given contributions; shares are scaled to sum 1 on each path.

    Candidates and criteria as for ``optimum_contributions``; candidates without a share have none.
    """
    problem, names = _set_up(table, dam_path, drone_path, {}, {}, path)
    made = []
    for name, candidates, shares in (("dam", names.dams, dam_shares), ("drone", names.drones, drone_shares)):
        x = np.array([shares.get(q, 0.0) for q in candidates], dtype=float)
        if not x.sum() > 0 or (x < 0).any():
            raise InputError(f"{path}.{name}_shares", "must not be below 0, and not all 0")
        made.append(0.5 * x / x.sum())
    z = np.concatenate(made)
    return float(z @ problem.c), problem.coancestry(z)


def _set_up(
    table: NodeTable,
    dam_path: Mapping[str, float],
    drone_path: Mapping[str, float],
    cap: Mapping[str, float],
    least_use: Mapping[str, float],
    path: str,
) -> tuple[Problem, _Names]:
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
    for word, bounds in (("cap", cap), ("least_use", least_use)):
        for name, value in bounds.items():
            if name not in known:
                raise InputError(f"{path}.{word}.{name}", f'"{name}" is no candidate')
            if not value >= 0:
                raise InputError(f"{path}.{word}.{name}", f"must not be below 0, not {value:g}")
    high = [min(1.0, cap.get(f"W:{q}", cap.get(q, 1.0))) for q in dams]
    high += [min(1.0, cap.get(q, 1.0)) for q in drones]
    low = [least_use.get(f"W:{q}", least_use.get(q, 0.0)) for q in dams] + [least_use.get(q, 0.0) for q in drones]
    for q, at_least, at_most in zip([*dams, *drones], low, high, strict=True):
        if at_least > at_most:
            raise InputError(f"{path}.least_use.{q}", f"{at_least:g} is above her cap of {at_most:g}")
    for name, part in (("dam_path", slice(0, len(dams))), ("drone_path", slice(len(dams), None))):
        if sum(high[part]) < 1 - 1e-9:
            raise InputError(f"{path}.cap", f"leaves only {sum(high[part]):g} of the {name}")
        if sum(low[part]) > 1 + 1e-9:
            raise InputError(f"{path}.least_use", f"takes {sum(low[part]):g} of the {name}, more than all of it")
    tracer, units = ancestors_only(table, rows)
    nodes = ancestors_of(table, rows)
    criterion = np.array([*dam_path.values(), *drone_path.values()], dtype=float)
    if not np.isfinite(criterion).all():
        raise InputError(path, "every candidate needs a criterion that is a number")
    problem = Problem(
        tracer,
        units,
        table.P[nodes][:, nodes],
        table.D[nodes],
        table.level[nodes],
        criterion,
        np.repeat([0, 1], [len(dams), len(drones)]),
        0.5 * np.array(low),
        0.5 * np.array(high),
    )
    return problem, _Names(dams, drones)


def _answer(problem: Problem, found: Solution, theta: float, names: _Names) -> Contributions:
    coancestry = problem.coancestry(found.z)
    good = found.kkt <= KKT_TOLERANCE and coancestry <= theta * (1 + 1e-7) + 1e-12
    message = "" if good else f"solver: {found.solver}; optimality conditions violated by {found.kkt:.2g}"
    n, share = len(names.dams), 2.0 * found.z
    return Contributions(
        theta,
        "optimal" if good else "not_converged",
        float(found.z @ problem.c),
        coancestry,
        dict(zip(names.dams, share[:n].tolist(), strict=True)),
        dict(zip(names.drones, share[n:].tolist(), strict=True)),
        found.kkt,
        message,
    )


def _used_enough(
    problem: Problem, first: Contributions, names: _Names, smallest: Floats, theta: float
) -> Contributions:
    """Solve again without the least used candidates of each path until nobody is used below ``smallest``.

    A candidate without whom the ceiling cannot be held is kept, at the smallest use.
    """
    found, held = first, problem
    floor = 0.5 * smallest[problem.path_of]
    for _ in range(USE_ROUNDS):
        z = 0.5 * np.array([*found.dam_path.values(), *found.drone_path.values()])
        below = np.flatnonzero((z > 1e-9) & (z < floor - 1e-9))
        if not len(below):
            return replace(found, gain_lost=max(0.0, first.gain - found.gain))
        below = below[np.argsort(z[below] / floor[below], kind="stable")]
        unused = (z <= 1e-9) & (held.low <= 0)
        for out in [below[: len(below) // 2], below[:1]] if len(below) > 3 else [below[:1]]:
            narrowed = replace(held, cap=np.where(unused, 0.0, held.cap), low=held.low.copy())
            narrowed.cap[out] = narrowed.low[out] = 0.0
            again = _solved_again(narrowed, theta, names)
            if again is not None:
                break
        else:
            narrowed = replace(held, low=held.low.copy())
            narrowed.low[below[0]] = min(floor[below[0]], narrowed.cap[below[0]])
            again = _solved_again(narrowed, theta, names)
            if again is None or narrowed.low[below[0]] < floor[below[0]]:
                break
        found, held = again, narrowed
    return replace(found, status="not_converged", message=_TOO_LARGE)


def _solved_again(problem: Problem, theta: float, names: _Names) -> Contributions | None:
    """The optimum within narrower bounds; None where they leave none."""
    room = np.bincount(problem.path_of, weights=problem.cap, minlength=2)
    taken = np.bincount(problem.path_of, weights=problem.low, minlength=2)
    if (room < 0.5 - 1e-9).any() or (taken > 0.5 + 1e-9).any():
        return None
    least = least_coancestry(problem)
    if problem.coancestry(least.z) > theta * (1 + 1e-9):
        return None
    return _answer(problem, best_below(problem, theta, least), theta, names)


_TOO_LARGE = "The smallest use cannot be met under this ceiling with these candidates."
