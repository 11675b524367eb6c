"""The problem of optimum contributions as numbers, and the conditions that every solution must meet."""

from dataclasses import dataclass

import numpy as np
from scipy import sparse

from breeding.genetics.tracing import Tracer
from breeding.genetics.types import Csr, Floats, Ints

# Contributions within this of a bound count as on it [half shares of a path].
NOTHING = 1e-7


@dataclass(frozen=True)
class Problem:
    """``units``: CSR (n_units, n_nodes); ``path_of``: 0 dam path, 1 drone path; bounds in half shares of a path."""

    tracer: Tracer
    units: Csr
    P: Csr
    D: Floats
    level: Ints
    c: Floats
    path_of: Ints
    low: Floats
    cap: Floats

    def subset(self, at: Ints) -> "Problem":
        """The same problem with some of the candidates, and no more of the pedigree than stands behind them."""
        rows = self.units[at]
        seen = np.zeros(len(self.D), dtype=bool)
        open_ = np.unique(rows.indices)
        while len(open_):
            seen[open_] = True
            parents = np.unique(self.P[open_].indices)
            open_ = parents[~seen[parents]]
        nodes = np.flatnonzero(seen)
        P, D, level = self.P[nodes][:, nodes], self.D[nodes], self.level[nodes]
        return Problem(
            Tracer.of(P, D, level), rows[:, nodes].tocsr(), P, D, level,
            self.c[at], self.path_of[at], self.low[at], self.cap[at],
        )  # fmt: skip

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
