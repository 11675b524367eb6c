"""The two-effect model with every colony's own Mendelian terms absorbed: same values, far fewer equations.

A record y of queen Q with drones B reads y = X b + H z + e*, where z are the unknowns that stay and
Var(e*) = R0 + v HQ G HQ' + c HB G HB' (+ permanent) holds the absorbed terms m_Q and m_B of her colony. Their
predictions, error covariances and shares of the likelihood follow in closed form from those of z.

``AbsorbedModel`` is a ``breeding.genetics.likelihood.Likelihood``: ``at`` gives log-likelihood, gradients and
average information with the exact traces of the inverse.

References
----------
Quaas & Pollak (1980), 10.2527/jas1980.5161277x; Henderson (1984), ISBN 0-88955-030-1; Gilmour, Thompson &
Cullis (1995), 10.2307/2533274.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Literal, TypeAlias

import numpy as np
import numpy.typing as npt

from breeding.genetics import absorbed_likelihood
from breeding.genetics.absorption import Reduction, reduce_nodes
from breeding.genetics.assembly import Assembly
from breeding.genetics.cells import Batch, ColonyData, Columns, gather_cells
from breeding.genetics.cholesky import Factor
from breeding.genetics.covariances import require_positive_definite
from breeding.genetics.iterative import TOGETHER, BlockJacobi, Design, Operator, conjugate_gradients
from breeding.genetics.nodes import NodeTable
from breeding.genetics.types import Csr, Floats, Ints

GENETIC, PERMANENT = "genetic", "permanent"
Method: TypeAlias = Literal["factor", "iterations"]
# Measured growth of the factor: about 350 bytes x (levels of z)^1.4 x (effects per level)^2. Up to some 4 GB, and then
# two minutes, it is taken.
FILL_POWER = 1.4
LARGEST_FACTOR = 1.0e7
TOLERANCE = 1e-10


class AbsorbedModel:
    """Records, reduced pedigree and cells; ``solve`` takes the (co)variances.

    Terms in order: genetic (t E, t E, trait-major), permanent (t, t) if the data have it, random factors (t, t).
    """

    def __init__(self, table: NodeTable, data: ColonyData) -> None:
        self.table = table
        self.data = data
        self.reduction: Reduction = reduce_nodes(table)
        self.columns = Columns.of(self.reduction.n_unknown, data)
        self.batches = gather_cells(self.reduction, data, self.columns)
        self.precision = self.reduction.precision()
        self.n_traits = data.n_traits
        self.y = data.y
        self.n_observed = int(np.isfinite(data.y).sum())
        self.n_fixed = self.columns.n_fixed
        self.n_equations = self.columns.total
        self.names = (
            GENETIC, *([PERMANENT] if data.permanent else []), *(name for name, _, _ in data.random),
        )  # fmt: skip
        self.levels = (
            table.n_nodes,
            *([len(np.unique(data.queens))] if data.permanent else []),
            *(n for _, _, n in data.random),
        )

    @cached_property
    def assembly(self) -> Assembly:
        return Assembly(self.batches, self.columns, self.precision, self.n_traits)

    @cached_property
    def cell_of(self) -> Ints:
        """Cell of each queen, counted through the batches, (n_queens,)."""
        found = np.empty(len(self.reduction.v), dtype=np.int64)
        at = 0
        for batch in self.batches:
            found[batch.members] = at + batch.member_cell
            at += batch.n
        return found

    @cached_property
    def leaders(self) -> Ints:
        """One queen of each cell, (n_cells,)."""
        return np.concatenate(
            [batch.members[np.searchsorted(batch.member_cell, np.arange(batch.n))] for batch in self.batches]
        )

    @cached_property
    def design(self) -> Design:
        return Design(self.batches, self.columns)

    @property
    def factorable(self) -> bool:
        """Whether the factor and the exact elements of its inverse take no more than a coffee and some gigabytes."""
        return bool(self.columns.n_unknown**FILL_POWER * self.columns.q**2 <= LARGEST_FACTOR)

    def solve(
        self,
        covariances: Sequence[npt.ArrayLike],
        R0: npt.ArrayLike,
        *,
        method: Method | None = None,
        start: Floats | None = None,
    ) -> "AbsorbedFit":
        """Solve for given K per term and R0 (t, t).

        Parameters
        ----------
        method : factorise, or iterate to a relative residual of 1e-10; None takes the factor while ``factorable``.
        start : (n_equations,). Unknowns of an earlier solution to iterate from.

        Raises
        ------
        InputError
            A covariance is not positive definite.
        """
        chosen: Method = method or ("factor" if self.factorable else "iterations")
        matrices = [np.asarray(K, dtype=float) for K in covariances]
        return AbsorbedFit(self, matrices, np.asarray(R0, dtype=float), method=chosen, start=start)

    def at(self, matrices: Sequence[Floats]) -> "AbsorbedFit":
        """Point of the likelihood; K per term, then R0."""
        return self.solve(matrices[:-1], matrices[-1])

    def shown(self, batch: Batch) -> tuple[Floats, Floats]:
        """HQ and HB of a batch, both (k, t E): its observations by the effects of m_Q and m_B."""
        effects = self.data.effects
        HQ, HB = np.zeros((2, batch.k, self.columns.q))
        for j, trait in enumerate(batch.traits.tolist()):
            for e, effect in enumerate(effects):
                HQ[j, trait * len(effects) + e] = (0.5, 1.0)[effect]
                HB[j, trait * len(effects) + e] = (0.5, 0.0)[effect]
        return HQ, HB


@dataclass(frozen=True)
class CellNumbers:
    """inverse (n, k, k) and log_det (n,) of the covariance of one colony's observations."""

    inverse: Floats
    log_det: Floats


class AbsorbedFit:
    """Solved equations. ``x`` holds z by level and effect, random factors, then fixed effects trait by trait."""

    def __init__(
        self,
        model: AbsorbedModel,
        covariances: list[Floats],
        R0: Floats,
        *,
        method: Method = "factor",
        start: Floats | None = None,
    ) -> None:
        self.model = model
        self.covariances = covariances
        self.R0 = R0
        for K, name in zip([*covariances, R0], [*model.names, "R0"], strict=True):
            require_positive_definite(K, name)
        self.G = covariances[0]
        n_random = len(model.data.random)
        self.permanent = covariances[1] if model.data.permanent else None
        self.random = covariances[len(covariances) - n_random :]
        self.G_inverse = np.linalg.inv(self.G)
        self.random_inverse = [np.linalg.inv(K) for K in self.random]
        self.numbers = [self._numbers(batch) for batch in model.batches]
        self.method = method
        self.rhs = self._rhs()
        if method == "factor":
            self._by_factor()
        else:
            found = conjugate_gradients(
                self.operator,
                self.preconditioner,
                self.rhs[:, None],
                start=None if start is None else start[:, None],
                tolerance=TOLERANCE,
            )
            self.x = found.x[:, 0]
            self.relative_residual, self.iterations = float(found.residual[0]), found.iterations

    def _by_factor(self) -> None:
        C, rhs = self.C, self.rhs
        x = self.factor.solve(rhs)
        x += self.factor.solve(rhs - C @ x)  # one step of refinement
        self.x = x
        scale = float(np.linalg.norm(rhs))
        self.relative_residual = float(np.linalg.norm(rhs - C @ x)) / scale if scale else 0.0
        self.iterations = 1

    @cached_property
    def C(self) -> Csr:  # noqa: N802 - the name of the coefficient matrix
        """The assembled equations, (n_equations, n_equations)."""
        return self.model.assembly.matrix([n.inverse for n in self.numbers], self.G_inverse, self.random_inverse)

    @cached_property
    def factor(self) -> Factor:
        return Factor(self.model.assembly.plan, self.C)

    @cached_property
    def operator(self) -> Operator:
        """The equations without assembling them."""
        inverses = [n.inverse for n in self.numbers]
        model = self.model
        return Operator(
            model.design, model.columns, model.batches, inverses, model.precision, self.G_inverse, self.random_inverse
        )

    @cached_property
    def preconditioner(self) -> BlockJacobi:
        return BlockJacobi(self.operator)

    def solve_many(self, rhs: Floats) -> Floats:
        """C^-1 rhs, (n_equations, m)."""
        if self.method == "factor":
            return self.factor.solve(rhs)
        parts = [
            conjugate_gradients(self.operator, self.preconditioner, rhs[:, at : at + TOGETHER], tolerance=TOLERANCE).x
            for at in range(0, rhs.shape[1], TOGETHER)
        ]
        return np.concatenate(parts, axis=1)

    def _numbers(self, batch: Batch) -> CellNumbers:
        HQ, HB = self.model.shown(batch)
        V = batch.v[:, None, None] * (HQ @ self.G @ HQ.T) + batch.c[:, None, None] * (HB @ self.G @ HB.T)
        V += _within_records(batch, self.R0)
        if self.permanent is not None:
            V += self.permanent[np.ix_(batch.traits, batch.traits)]
        sign, log_det = np.linalg.slogdet(V)
        del sign  # positive: R0 is
        return CellNumbers(np.linalg.inv(V), log_det)

    def _rhs(self) -> Floats:
        rhs = np.zeros(self.model.columns.total)
        for batch, own in zip(self.model.batches, self.numbers, strict=True):
            if batch.k:
                weighted = (own.inverse @ batch.mean[:, :, None])[:, :, 0] * batch.weight[:, None]
                added = np.einsum("nku,nk->nu", batch.H, weighted)
                rhs += np.bincount(batch.columns.ravel(), weights=added.ravel(), minlength=len(rhs))
        return rhs

    def fixed(self, trait: int) -> Floats:
        """Fixed effects of a trait, in the order of its columns."""
        start, n = self.model.columns.fixed[trait]
        return self.x[start : start + n]

    @property
    def z(self) -> Floats:
        """The genetic unknowns that stayed, (n_unknown, t E)."""
        columns = self.model.columns
        return self.x[: columns.n_unknown * columns.q].reshape(-1, columns.q)

    def random_levels(self, which: int) -> Floats:
        """Predictions of a random factor, (n_levels, t)."""
        start, levels = self.model.columns.random[which]
        return self.x[start : start + levels * self.model.n_traits].reshape(levels, self.model.n_traits)

    @cached_property
    def distance(self) -> list[Floats]:
        """Mean of the observations of each cell less what the unknowns expect, per batch (n, k)."""
        return [b.mean - np.einsum("nku,nu->nk", b.H, self.x[b.columns]) for b in self.model.batches]

    def gains(self, batch: Batch, own: CellNumbers, part: slice) -> tuple[Floats, Floats]:
        """Regressions of m_Q and m_B on the observations of their colony, both (n, t E, k)."""
        HQ, HB = self.model.shown(batch)
        inverse = own.inverse[part]
        return (
            batch.v[part, None, None] * (self.G @ HQ.T @ inverse),
            batch.c[part, None, None] * (self.G @ HB.T @ inverse),
        )

    @cached_property
    def colonies(self) -> tuple[Floats, Floats]:
        """Values of all queens and of the drones they carry (0 for unmated ones), both (n_queens, t E)."""
        reduction = self.model.reduction
        queens, drones = reduction.queens @ self.z, reduction.drones @ self.z
        for batch, own, distance in zip(self.model.batches, self.numbers, self.distance, strict=True):
            if not batch.k:
                continue
            around = batch.y - batch.mean[batch.member_cell] + distance[batch.member_cell]
            for gain, values in zip(self.gains(batch, own, slice(None)), (queens, drones), strict=True):
                values[batch.members] += np.einsum("nqk,nk->nq", gain[batch.member_cell], around)
        return queens, drones

    @cached_property
    def nodes(self) -> Floats:
        """Values of all nodes, (n_nodes, t E)."""
        reduction, table = self.model.reduction, self.model.table
        queens, drones = self.colonies
        u = np.empty((table.n_nodes, self.model.columns.q))
        u[reduction.kept] = reduction.back @ self.z
        for left, node, values in (
            (reduction.v > 0, reduction.queen_node, queens), (reduction.c > 0, reduction.drones_node, drones),
        ):  # fmt: skip
            u[node[left]] = values[left]
        return u

    @cached_property
    def yPy(self) -> float:  # noqa: N802 - the name of the quadratic form
        """y'Py of the restricted likelihood: weighted squares of what is left, and of the predictions."""
        total = float(np.einsum("ij,jk,ik->", self.model.precision @ self.z, self.G_inverse, self.z))
        for which, Ki in enumerate(self.random_inverse):
            levels = self.random_levels(which)
            total += float(np.einsum("ij,jk,ik->", levels, Ki, levels))
        for batch, own, d in zip(self.model.batches, self.numbers, self.distance, strict=True):
            total += float(np.einsum("nij,nij->", own.inverse, batch.scatter))
            total += float(np.einsum("n,ni,nij,nj->", batch.weight, d, own.inverse, d, optimize=True))
        return total

    @cached_property
    def loglik(self) -> float:
        """Restricted log-likelihood with the constant (N - r) ln 2pi; NaN where nothing was factorised."""
        model = self.model
        if self.method != "factor":
            return math.nan
        logs = self.factor.log_det + model.columns.q * model.reduction.log_det()
        logs += model.reduction.n_unknown * np.linalg.slogdet(self.G)[1]
        for (_, levels), K in zip(model.columns.random, self.random, strict=True):
            logs += levels * np.linalg.slogdet(K)[1]
        for batch, own in zip(model.batches, self.numbers, strict=True):
            logs += float(batch.weight @ own.log_det)
        free = model.n_observed - model.n_fixed
        return -0.5 * float(free * math.log(2 * math.pi) + logs + self.yPy)

    @cached_property
    def inverse_data(self) -> Floats:
        """Elements of C^-1 on the pattern of the assembly."""
        return np.asarray(self.factor.inverse_on_pattern().data)

    def gradients(self) -> list[Floats]:
        """dL/dK of each term, then dL/dR0."""
        return absorbed_likelihood.gradients(self)

    def information(self, labels: Sequence[tuple[int, int, int]]) -> Floats:
        """Average information of the parameters (matrix, row, column)."""
        return absorbed_likelihood.information(self, labels)

    def em(self, gradients: Sequence[Floats]) -> list[Floats]:
        """Matrices after one EM round from here."""
        return absorbed_likelihood.em_step(self, gradients)


def _within_records(batch: Batch, R0: Floats) -> Floats:
    """R0 between observations of one record, (k, k)."""
    same = batch.record[:, None] == batch.record[None, :]
    return np.where(same, R0[np.ix_(batch.traits, batch.traits)], 0.0)
