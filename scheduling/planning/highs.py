"""Calls of HiGHS: a relaxation with its prices, and integer programs with a start and limits that count work.

The solver's own time limit is the wall clock's, so that a busy machine would change its answers. Here work is
counted: iterations, nodes, and how often the solver asks whether to go on. CPU time stands behind as a guard.
"""

from __future__ import annotations

import time
from dataclasses import dataclass
from typing import Any

import highspy
import numpy as np
from highspy import cb as callbacks
from highspy._core import _Highs
from numpy.typing import NDArray
from scipy import sparse

Floats = NDArray[np.float64]

SOLVER_NAME = "HiGHS"

#: Below so many columns the simplex method is quicker than the interior point. [columns]
_SMALL = 3000
#: Above so many columns no vertex is looked for: the inner point bounds and rounds nearly as well. [columns]
_LARGE = 40_000
#: How many times slower than reckoned a call may be before it is broken off, and the least time for it. [-], [s]
_GUARD, _GUARD_LEAST = 3.0, 0.5
#: The wall clock ends a call only when something is badly wrong. [s]
_WALL_TIMES, _WALL_LEAST = 20.0, 60.0
#: Reckoned time, fitted to calls of all sizes: of any call and of an inner step, for a coefficient; of a simplex step
#: and of it for a row; of each time the solver asks whether to go on. [s]
_PER_CALL, _PER_INNER, _PER_STEP, _PER_ROW, _PER_ASK = 1e-6, 2.2e-7, 1.3e-4, 6e-8, 2e-3
#: How often the solver asks in a second of a small integer program, and the rows with which it asks half as often.
_ASKS, _ASKS_ROWS = 30, 2500
_INTERRUPTS = (
    callbacks.HighsCallbackType.kCallbackSimplexInterrupt,
    callbacks.HighsCallbackType.kCallbackIpmInterrupt,
    callbacks.HighsCallbackType.kCallbackMipInterrupt,
)


@dataclass(slots=True)
class Program:
    """Maximise ``goal @ v`` with ``row_low <= A v <= row_high`` and ``low <= v <= high``."""

    goal: Floats
    A: sparse.csc_matrix
    row_low: Floats
    row_high: Floats
    low: Floats
    high: Floats
    integer: NDArray[np.bool_]


@dataclass(slots=True)
class Answer:
    """What the solver found.

    Parameters
    ----------
    v : ndarray or None
        Best point found. None when there is none.
    value : float
        Its goal.
    bound : float
        Proven: no feasible point has a higher goal.
    proven : bool
        Whether v is optimal within the gap asked, or no point exists when v is None.
    work : float
        What it took, reckoned from counts: the same on every machine. [s]
    """

    v: Floats | None
    value: float
    bound: float
    proven: bool
    work: float = 0.0


def solver_version() -> str:
    return f"{SOLVER_NAME} {_new_solver().version()}"


class Relaxation:
    """The program without integrality, to which rows can be added.

    Parameters
    ----------
    program : Program
    vertex : bool, optional
        Whether to look for a vertex; by default where the program is not too large for that.
    """

    def __init__(self, program: Program, *, vertex: bool | None = None) -> None:
        small = program.A.shape[1] < _SMALL
        self._solver = _solver(program)
        self._solver.setOptionValue("solver", "simplex" if small else "ipm")
        #: Whether the answer is a vertex, from which added rows and closed columns are quickly dealt with.
        self.vertex = program.A.shape[1] <= _LARGE if vertex is None else vertex
        self._solver.setOptionValue("run_crossover", "on" if self.vertex else "off")

    def solve(self, seconds: float) -> Answer:
        """Solve, from the last vertex if there is one.

        Parameters
        ----------
        seconds : float
            Limit of reckoned time. [s]

        Returns
        -------
        Answer
            ``bound`` is infinite when the limit ended the work.
        """
        taken = _run(self._solver, seconds)
        status = self._solver.getModelStatus()
        if status == highspy.HighsModelStatus.kInfeasible:
            return Answer(None, -np.inf, -np.inf, True, taken)
        if status != highspy.HighsModelStatus.kOptimal:
            return Answer(None, -np.inf, np.inf, False, taken)
        v = np.array(self._solver.getSolution().col_value)
        value = -float(self._solver.getInfo().objective_function_value)
        # From now on a vertex is known: the simplex method goes on from it.
        self._solver.setOptionValue("solver", "simplex")
        return Answer(v, value, value, True, taken)

    def close(self, columns: NDArray[np.int64]) -> None:
        """Fix columns at 0."""
        none = np.zeros(len(columns))
        self._solver.changeColsBounds(len(columns), columns.astype(np.int32), none, none)

    def add_rows(self, rows: sparse.csr_matrix, low: Floats, high: Floats) -> None:
        """Add rows ``low <= rows v <= high``."""
        self._solver.addRows(
            rows.shape[0],
            low,
            high,
            rows.nnz,
            rows.indptr[:-1].astype(np.int32),
            rows.indices.astype(np.int32),
            rows.data.astype(np.float64),
        )


def relaxed(program: Program, *, seconds: float) -> Answer:
    """Solve the program without integrality, once; see `Relaxation.solve`."""
    return Relaxation(program).solve(seconds)


def solved(
    program: Program,
    *,
    seconds: float,
    seed: int = 0,
    start: Floats | None = None,
    nodes: int | None = None,
    slack: float = 0.0,
) -> Answer:
    """Solve the integer program.

    Parameters
    ----------
    program : Program
    seconds : float
        Limit of reckoned time. [s]
    seed : int
        Of the solver's own choices.
    start : ndarray, optional
        A feasible point to begin with.
    nodes : int, optional
        Deterministic limit on branch-and-bound nodes.
    slack : float
        Absolute gap that counts as solved, such as 0.99 for a goal in whole queens.

    Returns
    -------
    Answer
    """
    solver = _solver(program)
    columns = np.flatnonzero(program.integer).astype(np.int32)
    kinds = np.full(len(columns), int(highspy.HighsVarType.kInteger), dtype=np.uint8)
    solver.changeColsIntegrality(len(columns), columns, kinds)
    solver.setOptionValue("random_seed", seed % 2**31)
    solver.setOptionValue("mip_rel_gap", 0.0)
    solver.setOptionValue("mip_abs_gap", slack)
    if nodes is not None:
        solver.setOptionValue("mip_max_nodes", nodes)
    if start is not None:
        point = highspy.HighsSolution()
        point.col_value = start.tolist()
        solver.setSolution(point)
    taken = _run(solver, seconds, whole=True)
    status = solver.getModelStatus()
    if status == highspy.HighsModelStatus.kInfeasible:
        return Answer(None, -np.inf, -np.inf, True, taken)
    info = solver.getInfo()
    found = info.primal_solution_status == highspy.SolutionStatus.kSolutionStatusFeasible
    proven = status == highspy.HighsModelStatus.kOptimal
    v = np.array(solver.getSolution().col_value) if found else None
    value = float(program.goal @ v) if v is not None else -np.inf
    bound = value if not program.integer.any() and proven else -info.mip_dual_bound
    return Answer(v, value, bound, proven, taken)


def _run(solver: Any, seconds: float, *, whole: bool = False) -> float:
    """Run the solver within a limit of reckoned time; return what it took. [s]"""
    entries, rows = solver.getNumNz(), solver.getNumRow()
    simplex, inner = _PER_STEP + _PER_ROW * rows, _PER_INNER * entries + 1e-9
    if not whole:
        solver.setOptionValue("simplex_iteration_limit", int(seconds / simplex) + 1)
        solver.setOptionValue("ipm_iteration_limit", int(seconds / inner) + 1)
    asks, most = 0, int(_ASKS * seconds / (1 + rows / _ASKS_ROWS)) + 1
    until = time.process_time() + max(_GUARD * seconds, _GUARD_LEAST)

    def go_on(kind: int, message: str, told: Any, answer: Any, data: Any) -> None:
        nonlocal asks
        asks += 1
        if (whole and asks > most) or time.process_time() > until:
            answer.user_interrupt = True

    solver.setCallback(go_on, None)
    for kind in _INTERRUPTS:
        solver.startCallback(kind)
    # The limit counts all runs of one solver object together.
    solver.setOptionValue("time_limit", solver.getRunTime() + max(_WALL_TIMES * seconds, _WALL_LEAST))
    solver.run()
    solver.setCallback(None, None)
    info = solver.getInfo()
    steps = max(0, info.simplex_iteration_count) * simplex + max(0, info.ipm_iteration_count) * inner
    return float(steps + _PER_CALL * entries + (_PER_ASK * asks if whole else 0.0))


def _new_solver() -> Any:
    # The public class writes its banner to the console while being made, before it can be told not to.
    return _Highs()


def _solver(program: Program) -> Any:
    solver = _new_solver()
    solver.setOptionValue("output_flag", False)
    solver.setOptionValue("log_to_console", False)
    solver.setOptionValue("threads", 1)
    solver.setOptionValue("parallel", "off")
    lp = highspy.HighsLp()
    lp.num_row_, lp.num_col_ = program.A.shape
    lp.col_cost_ = -program.goal
    lp.col_lower_, lp.col_upper_ = program.low, program.high
    lp.row_lower_, lp.row_upper_ = program.row_low, program.row_high
    lp.a_matrix_.format_ = highspy.MatrixFormat.kColwise
    lp.a_matrix_.start_ = program.A.indptr
    lp.a_matrix_.index_ = program.A.indices
    lp.a_matrix_.value_ = program.A.data
    solver.passModel(lp)
    return solver
