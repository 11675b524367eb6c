"""The one call of the app: pedigree and records in, values with errors and reliabilities out."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from breeding.genetics.pedigree import Pedigree
from breeding.genetics.records import Estimate, MeritEstimates, ModelSpec, Parameters, Record, TraitEstimates
from breeding.genetics.types import Floats, Ints

Progress = Callable[[str, float], None]
Criterion = Literal["drones", "mother", "performance"]


@dataclass(frozen=True)
class Estimates:
    """Arrays of one criterion, shape (n_queens, n_columns); NaN where a queen has no such value."""

    value: Floats
    error: Floats
    reliability: Floats

    def at(self, row: int, column: int) -> Estimate | None:
        value = float(self.value[row, column])
        if np.isnan(value):
            return None
        return Estimate(value, float(self.error[row, column]), float(self.reliability[row, column]))


@dataclass(frozen=True)
class Place:
    """Likely place of a candidate, 1 = best: the 5 and 95 per cent points of her simulated place."""

    queen: str
    best: int
    worst: int
    of: int


@dataclass(frozen=True)
class SolverReport:
    method: str
    iterations: int
    relative_residual: float
    equations: int
    seconds: float = 0.0


@dataclass(frozen=True)
class Evaluation:
    """Result of one run. Rows follow ``queens``, columns ``traits``; merit has one column."""

    traits: tuple[str, ...]
    queens: tuple[str, ...]
    worker: Estimates
    queen: Estimates
    total: Estimates
    as_mother: Estimates
    performance: Estimates
    merit_drones: Estimates
    merit_mother: Estimates
    merit_performance: Estimates
    records: Ints
    inbreeding: Floats
    worker_inbreeding: Floats
    known_generations: Floats
    fixed: Mapping[str, Mapping[str, float]]
    loglik: float
    solver: SolverReport
    notes: tuple[str, ...] = ()
    row: Mapping[str, int] = field(default_factory=dict, repr=False)

    def trait(self, queen: str, trait: str) -> TraitEstimates:
        """All values of one queen in one trait."""
        raise NotImplementedError

    def merit(self, queen: str) -> MeritEstimates:
        """Merit of one queen under the weights of the run."""
        raise NotImplementedError

    def likely_places(
        self, candidates: Sequence[str], *, criterion: Criterion, rng: np.random.Generator, draws: int = 2000
    ) -> dict[str, Place]:
        """Place of each candidate by merit, from the joint prediction-error distribution."""
        raise NotImplementedError


def evaluate(
    pedigree: Pedigree,
    records: Sequence[Record],
    model: ModelSpec,
    parameters: Parameters,
    *,
    weights: Mapping[str, float],
    reference: Sequence[str] | None = None,
    progress: Progress | None = None,
) -> Evaluation:
    """Predict worker and queen effects of all queens from their pedigree and all records.

    Parameters
    ----------
    weights : trait -> weight of the merit, negative where low is good; scaled to sum |w| = 1.
    reference : ids of the queens whose mean is 0 (the living, tested stock); None keeps the base
        population as 0. Errors and reliabilities stay those of the values themselves.
    progress : called with a step in words and the finished part, 0 to 1.
    """
    raise NotImplementedError
