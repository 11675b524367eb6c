"""Edges of the parameter space on which estimates end, and how they are said."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, TypeAlias

import numpy as np

from breeding.genetics.types import Floats

# Smallest eigenvalue of a correlation matrix below which it counts as lying on the boundary.
SINGULAR_CORRELATION = 2e-3
# Share of the residual variance of its trait below which a variance counts as 0.
NO_VARIANCE = 1e-4
# Smallest eigenvalue of the scaled information below which components cannot be told apart.
SINGULAR_INFORMATION = 1e-9

Kind: TypeAlias = Literal["variance", "correlation", "residual"]


@dataclass(frozen=True, slots=True)
class Boundary:
    """Where an estimate ends: ``effects`` are the rows of the term's matrix that are involved.

    kind : a variance at 0; a correlation at -1 or 1 (of several effects: a combination of them without
        variance); a residual without variance.
    """

    term: str
    kind: Kind
    effects: tuple[int, ...]

    def words(self) -> str:
        if self.kind == "variance":
            return f"a variance of {self.term} reaches 0: not estimable with these data"
        if self.kind == "correlation":
            return f"a correlation within {self.term} reaches -1 or 1: not estimable with these data"
        return "the residual loses its variance: not estimable with these data"


def boundaries_of(names: Sequence[str], matrices: Sequence[Floats]) -> tuple[Boundary, ...]:
    """Boundaries on which the estimates lie.

    names : of the random terms; matrices : their covariances (trait-major), then the residual.
    """
    R0 = matrices[-1]
    found: list[Boundary] = []
    for name, K in zip(names, matrices[:-1], strict=True):
        per_trait = len(K) // len(R0)
        sizes = np.diag(K) / np.repeat(np.diag(R0), per_trait)
        gone = np.flatnonzero(sizes < NO_VARIANCE)
        found += [Boundary(name, "variance", (int(i),)) for i in gone]
        left = np.flatnonzero(sizes >= NO_VARIANCE)
        part = K[np.ix_(left, left)]
        if len(left) > 1 and smallest_of_correlation(part) < SINGULAR_CORRELATION:
            found.append(Boundary(name, "correlation", tuple(int(left[i]) for i in _involved(part))))
    whole = sum(np.diag(K).reshape(len(R0), -1).sum(axis=1) for K in matrices)
    gone = np.flatnonzero(np.diag(R0) < NO_VARIANCE * whole)
    found += [Boundary("residual", "residual", (int(k),)) for k in gone]
    if not len(gone) and len(R0) > 1 and smallest_of_correlation(R0) < SINGULAR_CORRELATION:
        found.append(Boundary("residual", "residual", tuple(_involved(R0))))
    return tuple(found)


def smallest_of_correlation(K: Floats) -> float:
    """Smallest eigenvalue of the correlation matrix of K."""
    return float(np.linalg.eigvalsh(_scaled(K)).min())


def well_conditioned(information: Floats) -> bool:
    """Whether the data tell every component from all others."""
    return smallest_of_correlation(information) > SINGULAR_INFORMATION


def _involved(K: Floats) -> list[int]:
    """Rows that take part in the combination without variance."""
    vector = np.abs(np.linalg.eigh(_scaled(K))[1][:, 0])
    return np.flatnonzero(vector > 0.1 * vector.max()).tolist()


def _scaled(K: Floats) -> Floats:
    sd = np.sqrt(np.maximum(np.diag(K), 1e-300))
    return np.asarray(K / np.outer(sd, sd))
