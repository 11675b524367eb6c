"""Calls of HiGHS: a relaxation with its prices, and integer programs with a start and a deterministic limit."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import highspy
import numpy as np
from highspy._core import _Highs
from numpy.typing import NDArray
from scipy import sparse

Floats = NDArray[np.float64]

SOLVER_NAME = "HiGHS"

#: Below so many columns the simplex method is quicker than the interior point. [columns]
_SMALL = 3000
#: Above so many columns no vertex is looked for: the inner point bounds and rounds nearly as well. [columns]
_LARGE = 40_000


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
    """

    v: Floats | None
    value: float
    bound: float
    proven: bool


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
        self._solver = _solver(program, 1.0)
        self._solver.setOptionValue("solver", "simplex" if small else "ipm")
        #: Whether the answer is a vertex, from which added rows and closed columns are quickly dealt with.
        self.vertex = program.A.shape[1] <= _LARGE if vertex is None else vertex
        self._solver.setOptionValue("run_crossover", "on" if self.vertex else "off")

    def solve(self, seconds: float) -> Answer:
        """Solve, from the last vertex if there is one.

        Parameters
        ----------
        seconds : float
            Limit, one thread. [s]

        Returns
        -------
        Answer
            ``bound`` is infinite when the limit ended the work.
        """
        # The limit counts all runs of one solver object together.
        self._solver.setOptionValue("time_limit", self._solver.getRunTime() + max(seconds, 0.01))
        self._solver.run()
        status = self._solver.getModelStatus()
        if status == highspy.HighsModelStatus.kInfeasible:
            return Answer(None, -np.inf, -np.inf, True)
        if status != highspy.HighsModelStatus.kOptimal:
            return Answer(None, -np.inf, np.inf, False)
        v = np.array(self._solver.getSolution().col_value)
        value = -float(self._solver.getInfo().objective_function_value)
        # From now on a vertex is known: the simplex method goes on from it.
        self._solver.setOptionValue("solver", "simplex")
        return Answer(v, value, value, True)

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
        Limit, one thread. [s]
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
    solver = _solver(program, seconds)
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
    solver.run()
    status = solver.getModelStatus()
    if status == highspy.HighsModelStatus.kInfeasible:
        return Answer(None, -np.inf, -np.inf, True)
    info = solver.getInfo()
    found = info.primal_solution_status == highspy.SolutionStatus.kSolutionStatusFeasible
    proven = status == highspy.HighsModelStatus.kOptimal
    v = np.array(solver.getSolution().col_value) if found else None
    value = float(program.goal @ v) if v is not None else -np.inf
    bound = value if not program.integer.any() and proven else -info.mip_dual_bound
    return Answer(v, value, bound, proven)


def _new_solver() -> Any:
    # The public class writes its banner to the console while being made, before it can be told not to.
    return _Highs()


def _solver(program: Program, seconds: float) -> Any:
    solver = _new_solver()
    solver.setOptionValue("output_flag", False)
    solver.setOptionValue("log_to_console", False)
    solver.setOptionValue("threads", 1)
    solver.setOptionValue("parallel", "off")
    solver.setOptionValue("time_limit", max(seconds, 0.01))
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
