"""Values of any unit from solved equations: predictions, joint errors, reliabilities."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Literal

import numpy as np
from scipy import sparse

from breeding.genetics.absorbed import AbsorbedFit, Method
from breeding.genetics.colony_errors import ColonyErrors, exact_errors, joint_errors, node_errors
from breeding.genetics.colony_model import ColonyModel, build_colony_model
from breeding.genetics.nodes import NodeTable
from breeding.genetics.parameters import check_parameters
from breeding.genetics.records import ModelSpec, Parameters, Record
from breeding.genetics.relationship import MatedQueens, mated_queens, relationship_of_pairs
from breeding.genetics.sampled import sampled_errors
from breeding.genetics.types import Csr, Floats, InputError, Ints

# Drawn reliabilities are the same in each run on the same data.
DRAWING_SEED = 1


@dataclass(frozen=True)
class Units:
    """Units of one kind: what they are made of and how much variance they have.

    rows : CSR (n, n_nodes); group_rows : CSR (n, n_groups); a : (n,). Relationship with itself.
    queens : (n,). Whose units these are; ``kind`` other has none.
    """

    kind: Literal["queens", "workers", "drones", "other"]
    rows: Csr
    group_rows: Csr
    a: Floats
    queens: Ints


@dataclass(frozen=True)
class Predicted:
    """Predictions with their errors; units of one cell share their errors.

    value : (n, 2t) of both effects per trait. errors : (n_cells, q, q) of the q effects ``kept`` in the model;
    ``cell`` (n,) is the cell of each unit. a : (n,). Relationship with itself; G0 : (2t, 2t).
    """

    value: Floats
    errors: Floats
    cell: Ints
    a: Floats
    G0: Floats
    kept: Ints

    @property
    def pev(self) -> Floats:
        """(n, 2t, 2t); 0 for effects that the model leaves out."""
        wide = np.zeros((len(self.value), *self.G0.shape))
        wide[:, self.kept[:, None], self.kept[None, :]] = self.errors[self.cell]
        return wide

    @property
    def prior(self) -> Floats:
        return np.asarray(self.a[:, None, None] * self.G0)

    def contrast(self, k: Floats) -> tuple[Floats, Floats, Floats]:
        """Value, standard error and reliability of k'u, each (n,)."""
        pev = quadratic(self.errors, k[self.kept], k[self.kept])[self.cell]
        return summarise(self.value @ k, pev, self.a * float(k @ self.G0 @ k))


def quadratic(blocks: Floats, left: Floats, right: Floats) -> Floats:
    """left' block right of each block, (n,)."""
    return np.asarray((blocks @ right) @ left)


def summarise(value: Floats, pev: Floats, prior: Floats) -> tuple[Floats, Floats, Floats]:
    """Value, standard error, reliability 1 - PEV / Var; 0 where there is no variance to predict."""
    pev = np.maximum(pev, 0.0)
    known = prior > 1e-14 * np.max(prior, initial=1.0)
    ratio = np.divide(pev, prior, out=np.ones_like(pev), where=known)
    return value, np.sqrt(pev), np.clip(1.0 - ratio, 0.0, 1.0)


class Prediction:
    """One solved evaluation of a pedigree with its records.

    With fixed genetic groups values contain the groups' effects; errors and reliabilities are those of
    the deviation from the group's expectation.
    """

    def __init__(
        self,
        table: NodeTable,
        records: Sequence[Record] | ColonyModel,
        spec: ModelSpec,
        parameters: Parameters,
        *,
        method: Method | None = None,
        errors: ColonyErrors | None = None,
        start: Floats | None = None,
        path: str = "",
    ) -> None:
        check_parameters(parameters, effects=spec.effects, path=f"{path}parameters")
        if spec.permanent_colony and parameters.permanent is None:
            raise InputError(f"{path}parameters.permanent", "is missing; the model has a permanent colony effect")
        for name in spec.random:
            if name not in parameters.random:
                raise InputError(f"{path}parameters.random.{name}", "is missing; the model names this factor")
        self.table = table
        self.spec = spec
        self.parameters = parameters
        self.mated: MatedQueens = mated_queens(table)
        self.colony: ColonyModel = (
            records
            if isinstance(records, ColonyModel)
            else build_colony_model(table, records, spec, parameters.traits, path=f"{path}records")
        )
        self.fit: AbsorbedFit = self.colony.model.solve(
            self.colony.covariances(parameters, spec), parameters.R0, method=method, start=start
        )
        self.kept = np.array(spec.kept_effects(len(parameters.traits)), dtype=np.int64)
        self.nodes = np.zeros((table.n_nodes, len(parameters.G0)))
        self.nodes[:, self.kept] = self.fit.nodes
        self.group_effects = self.colony.groups(self.fit)
        self.reliability_rmse: float | None = None  # expected error of reliabilities that were drawn
        self._known_errors = errors

    @property
    def has_known_errors(self) -> bool:
        """Whether the errors are those of an earlier evaluation."""
        return self._known_errors is not None

    @cached_property
    def queens(self) -> Units:
        n = self.table.layout.n_queens
        return Units(
            "queens", self.table.expression[:n], self._shares[:n], 1.0 + self.table.F, np.arange(n, dtype=np.int64)
        )

    @cached_property
    def workers(self) -> Units:
        q, sets = self.mated.queens, self._sets
        shares, expression = self._shares, self.table.expression
        rows = sparse.csr_array(0.5 * expression[q] + 0.5 * expression[sets])
        groups = sparse.csr_array(0.5 * shares[q] + 0.5 * shares[sets])
        return Units("workers", rows, groups, self.mated.a_ww, q)

    @cached_property
    def drone_sets(self) -> Units:
        sets = self._sets
        return Units("drones", self.table.expression[sets], self._shares[sets], self.mated.a_bb, self.mated.queens)

    @cached_property
    def _sets(self) -> Ints:
        return np.asarray(self.table.layout.set_of[self.mated.queens])

    @cached_property
    def _shares(self) -> Csr:
        if self.spec.groups == "fixed":
            return self.table.group_shares()
        return sparse.csr_array((len(self.table.layout.kind), len(self.table.group_names)))

    @cached_property
    def errors(self) -> ColonyErrors:
        """Error covariances around each queen: exact while the equations are factorised, else drawn, unless given."""
        if self._known_errors is not None:
            return self._known_errors
        if self.fit.method == "factor":
            return exact_errors(self.fit)
        found = sampled_errors(self.fit, np.random.default_rng(DRAWING_SEED))
        self.reliability_rmse = found.rmse
        return found.errors

    def others(self, names: Sequence[str]) -> Units:
        """Drones and sister groups by their unit names."""
        entities = np.array([self.table.layout.index[name] for name in names], dtype=np.int64)
        rows = self.table.expression[entities]
        nobody = np.full(len(names), -1, dtype=np.int64)
        return Units("other", rows, self._shares[entities], relationship_of_pairs(self.table, rows, rows), nobody)

    def of(self, units: Units) -> Predicted:
        value = units.rows @ self.nodes
        if len(self.group_effects):
            value = value + units.group_rows @ self.group_effects
        if units.kind == "other":
            errors = node_errors(self.fit, units.rows, self.errors)
            cell = np.arange(len(units.queens), dtype=np.int64)
        else:
            found = self.errors
            errors = {"queens": found.queen, "workers": found.workers, "drones": found.drones}[units.kind]
            cell = found.cell[units.queens]
        return Predicted(np.asarray(value), errors, cell, units.a, self.parameters.G0, self.kept)

    def joint_errors(self, means: Csr) -> Floats:
        """Error covariances of weighted sums of queens with each other, (g, 2t, g, 2t); means : CSR (g, n_queens)."""
        g, size = means.shape[0], len(self.parameters.G0)
        V = np.zeros((g, size, g, size))
        V[np.ix_(np.arange(g), self.kept, np.arange(g), self.kept)] = joint_errors(self.fit, means)
        return V

    def performance(self, workers: Predicted, queens: Predicted, k: Floats) -> tuple[Floats, Floats, Floats]:
        """Worker effect of the worker group plus queen effect of the queen, for the mated queens, (n_mated,).

        k : (2t,). Weights of the effects of all traits (k of one trait: 1 at its two effects).
        """
        q, G0 = self.mated.queens, self.parameters.G0
        of_worker = np.where(np.arange(len(k)) % 2 == 0, k, 0.0)
        of_queen = k - of_worker
        w, o = of_worker[self.kept], of_queen[self.kept]
        found = self.errors
        pev = quadratic(found.workers, w, w) + quadratic(found.queen, o, o)
        pev = (pev + 2 * quadratic(found.queen_workers, o, w))[found.cell[q]]
        prior = (
            self.mated.a_ww * (of_worker @ G0 @ of_worker)
            + self.mated.a_qq * (of_queen @ G0 @ of_queen)
            + 2 * self.mated.a_qw * (of_queen @ G0 @ of_worker)
        )
        return summarise(workers.value @ of_worker + queens.value[q] @ of_queen, pev, prior)

    def trait_contrasts(self, k: int) -> tuple[Floats, Floats, Floats]:
        """Contrasts of trait k: worker effect, queen effect, their sum."""
        eye = np.eye(2 * len(self.parameters.traits))
        return eye[2 * k], eye[2 * k + 1], eye[2 * k] + eye[2 * k + 1]
