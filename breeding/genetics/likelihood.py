"""Restricted likelihood of a mixed model with its derivatives, from one solution of the equations.

References
----------
Gilmour, Thompson & Cullis (1995), 10.2307/2533274 (average information); Graser, Smith & Tier (1987),
10.2527/jas1987.6451362x (likelihood from the factor of the equations).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Protocol, TypeAlias

import numpy as np
from scipy import sparse

from breeding.genetics.cholesky import positions
from breeding.genetics.mixed_model import MixedModel, Solution
from breeding.genetics.types import Csr, Floats, Ints

# (matrix, row, column) of each parameter: terms in order, the residual last, lower triangles.
Label: TypeAlias = tuple[int, int, int]


class Point(Protocol):
    """The likelihood at one set of (co)variances."""

    @property
    def loglik(self) -> float: ...

    def gradients(self) -> list[Floats]:
        """dL/dK of each term, then dL/dR0, symmetric (a parameter off the diagonal has twice its element)."""
        ...

    def information(self, labels: Sequence[Label]) -> Floats:
        """Average information of the parameters."""
        ...

    def em(self, gradients: Sequence[Floats]) -> list[Floats]:
        """Matrices after one EM round from here."""
        ...


class Likelihood(Protocol):
    """What REML searches: (co)variances in, a point out. ``names`` are those of the random terms."""

    @property
    def names(self) -> tuple[str, ...]: ...

    @property
    def n_traits(self) -> int: ...

    def at(self, matrices: Sequence[Floats]) -> Point:
        """Raises InputError or NotPositiveDefiniteError outside the cone."""
        ...


@dataclass(frozen=True)
class _Trace:
    """sum_k weight[k] * inverse.data[entry[k]]: a trace that touches the planned pattern alone."""

    entry: Ints
    weight: Floats

    def of(self, inverse: Csr) -> float:
        return float(self.weight @ inverse.data[self.entry])


class ModelLikelihood:
    """The likelihood of a ``MixedModel``: every record and level stands in the equations."""

    def __init__(self, model: MixedModel) -> None:
        self.model = model

    @property
    def names(self) -> tuple[str, ...]:
        return tuple(term.name for term in self.model.terms)

    @property
    def n_traits(self) -> int:
        return int(self.model.n_traits)

    def at(self, matrices: Sequence[Floats]) -> "ModelPoint":
        return ModelPoint(self, self.model.solve(list(matrices[:-1]), matrices[-1]))

    @cached_property
    def term_traces(self) -> list[dict[tuple[int, int], _Trace]]:
        """Per term, for effects i, j: tr(A^-1 C^ij)."""
        model, made = self.model, []
        for k, (term, q) in enumerate(zip(model.terms, model.sizes, strict=True)):
            coo, start = term.precision.tocoo(), int(model.starts[k])
            rows, columns = coo.row.astype(np.int64) * q, coo.col.astype(np.int64) * q
            pattern = model.plan.pattern
            made.append(
                {
                    (i, j): _Trace(positions(pattern, start + rows + i, start + columns + j), coo.data)
                    for i in range(q)
                    for j in range(i + 1)
                }
            )
        return made

    @cached_property
    def record_traces(self) -> list[dict[tuple[int, int], _Trace]]:
        """Per pattern of recorded traits, for its traits a, b: sum over records of w_a' C^-1 w_b."""
        made = []
        for traits, where in self.model.recorded_patterns():
            found: dict[tuple[int, int], _Trace] = {}
            designs = [self.model.W[where[:, a]] for a in range(len(traits))]
            for a in range(len(traits)):
                for b in range(a + 1):
                    coo = sparse.csr_array(designs[a].T @ designs[b]).tocoo()
                    found[a, b] = _Trace(positions(self.model.plan.pattern, coo.row, coo.col), coo.data)
            made.append(found)
        return made


class ModelPoint:
    """One solution of the equations and the derivatives there."""

    def __init__(self, likelihood: ModelLikelihood, fit: Solution) -> None:
        self.likelihood = likelihood
        self.fit = fit

    @property
    def loglik(self) -> float:
        return self.fit.loglik

    def gradients(self) -> list[Floats]:
        fit, model = self.fit, self.fit.model
        made: list[Floats] = []
        traces = self.likelihood.term_traces if model.terms else []
        for k, (term, q) in enumerate(zip(model.terms, model.sizes, strict=True)):
            U = fit.effects(k)
            sums = U.T @ (term.precision @ U)
            sums += _symmetric_from(traces[k], q, fit.inverse)
            Ki = fit.K_inverse[k]
            made.append(-0.5 * (term.n_levels * Ki - Ki @ sums @ Ki))
        made.append(self._residual_gradient())
        return made

    def _residual_gradient(self) -> Floats:
        """dL/dR0 summed over records, each in the traits it has."""
        fit, model = self.fit, self.fit.model
        total = np.zeros((model.n_traits, model.n_traits))
        scaled = fit.R_inverse @ fit.residuals
        for (traits, where), traces in zip(model.recorded_patterns(), self.likelihood.record_traces, strict=True):
            Ri = np.linalg.inv(fit.R0[np.ix_(traits, traits)])
            r = scaled[where]
            leverage = Ri @ _symmetric_from(traces, len(traits), fit.inverse) @ Ri
            total[np.ix_(traits, traits)] -= 0.5 * (len(where) * Ri - leverage - r.T @ r)
        return total

    def information(self, labels: Sequence[Label]) -> Floats:
        """1/2 f_k' P f_l with f_k = dV/dtheta_k P y."""
        fit, model = self.fit, self.fit.model
        n_terms = len(model.terms)
        columns: list[Floats] = []
        scaled = np.asarray(fit.R_inverse @ fit.residuals)
        spread = np.zeros((len(model.y), model.n_traits))
        spread[model.record, model.trait] = scaled
        for m, i, j in labels:
            size = model.sizes[m] if m < n_terms else model.n_traits
            E = np.zeros((size, size))
            E[i, j] = E[j, i] = 1.0
            if m < n_terms:
                columns.append(np.asarray(model.Z[m] @ (fit.effects(m) @ fit.K_inverse[m] @ E).ravel()))
            else:
                columns.append((spread @ E)[model.record, model.trait])
        f = np.stack(columns, axis=1)
        Rf = fit.R_inverse @ f
        Pf = Rf - fit.R_inverse @ (model.W @ fit.factor.solve(model.W.T @ Rf))
        return np.asarray(0.5 * f.T @ Pf)

    def em(self, gradients: Sequence[Floats]) -> list[Floats]:
        """K <- K + 2/n K (dL/dK) K, which is the EM update and never leaves the cone."""
        fit, model = self.fit, self.fit.model
        made = [
            em_update(K, gradient, term.n_levels)
            for K, gradient, term in zip(fit.covariances, gradients[:-1], model.terms, strict=True)
        ]
        if model.n_traits == 1:
            made.append(fit.R0 * fit.yPy / (model.n_observed - model.n_fixed))
        else:
            made.append(em_update(fit.R0, gradients[-1], sum(len(where) for _, where in model.recorded_patterns())))
        return made


def em_update(K: Floats, gradient: Floats, n: int) -> Floats:
    """K + 2/n K (dL/dK) K, symmetric."""
    made = K + 2.0 / n * K @ gradient @ K
    return np.asarray(0.5 * (made + made.T))


def _symmetric_from(traces: dict[tuple[int, int], _Trace], size: int, inverse: Csr) -> Floats:
    made = np.zeros((size, size))
    for (i, j), trace in traces.items():
        made[i, j] = made[j, i] = trace.of(inverse)
    return made
