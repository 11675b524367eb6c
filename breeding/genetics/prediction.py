"""Values of any unit from solved equations: predictions, joint errors, reliabilities."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy import sparse

from breeding.genetics.colony_model import ColonyModel, build_colony_model
from breeding.genetics.mixed_model import Solution
from breeding.genetics.nodes import NodeTable
from breeding.genetics.parameters import check_parameters
from breeding.genetics.records import ModelSpec, Parameters, Record
from breeding.genetics.relationship import MatedQueens, mated_queens, relationship_of_pairs
from breeding.genetics.types import Csr, Floats, InputError, Ints


@dataclass(frozen=True)
class Units:
    """Units of one kind: what they are made of and how much variance they have.

    rows : CSR (n, n_nodes); group_rows : CSR (n, n_groups); a : (n,). Relationship with itself.
    """

    rows: Csr
    group_rows: Csr
    a: Floats


@dataclass(frozen=True)
class Predicted:
    """value : (n, 2t) of both effects per trait; pev : (n, 2t, 2t); prior : (n, 2t, 2t)."""

    value: Floats
    pev: Floats
    prior: Floats

    def contrast(self, k: Floats) -> tuple[Floats, Floats, Floats]:
        """Value, standard error and reliability of k'u, each (n,)."""
        return summarise(
            self.value @ k,
            np.einsum("i,nij,j->n", k, self.pev, k),
            np.einsum("i,nij,j->n", k, self.prior, k),
        )


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
        records: Sequence[Record],
        spec: ModelSpec,
        parameters: Parameters,
        *,
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
        self.queens = self._queens()
        self.workers = self._workers()
        self.drone_sets = self._drone_sets()
        together = sparse.vstack([self.queens.rows, self.workers.rows, self.drone_sets.rows], format="csr")
        self.colony: ColonyModel = build_colony_model(
            table, records, spec, parameters.traits, together=together, path=f"{path}records"
        )
        self.fit: Solution = self.colony.model.solve(self.colony.covariances(parameters, spec), parameters.R0)
        self.kept = spec.kept_effects(len(parameters.traits))
        self.nodes = np.zeros((table.n_nodes, len(parameters.G0)))
        self.nodes[:, self.kept] = self.fit.effects(0)
        self.group_effects = self.colony.groups(self.fit)

    def _queens(self) -> Units:
        n = self.table.layout.n_queens
        shares = self._shares()
        return Units(self.table.expression[:n], shares[:n], 1.0 + self.table.F)

    def _workers(self) -> Units:
        q, sets = self.mated.queens, self._sets()
        shares, expression = self._shares(), self.table.expression
        rows = sparse.csr_array(0.5 * expression[q] + 0.5 * expression[sets])
        return Units(rows, sparse.csr_array(0.5 * shares[q] + 0.5 * shares[sets]), self.mated.a_ww)

    def _drone_sets(self) -> Units:
        sets = self._sets()
        return Units(self.table.expression[sets], self._shares()[sets], self.mated.a_bb)

    def _sets(self) -> Ints:
        return np.array([self.table.layout.set_of[q] for q in self.mated.queens.tolist()], dtype=np.int64)

    def _shares(self) -> Csr:
        if self.spec.groups == "fixed":
            return self.table.group_shares()
        return sparse.csr_array((len(self.table.layout.entities), len(self.table.group_names)))

    def others(self, names: Sequence[str]) -> Units:
        """Drones and sister groups by their unit names."""
        entities = np.array([self.table.layout.index[name] for name in names], dtype=np.int64)
        rows = self.table.expression[entities]
        return Units(rows, self._shares()[entities], relationship_of_pairs(self.table, rows, rows))

    def of(self, units: Units) -> Predicted:
        value = units.rows @ self.nodes
        if len(self.group_effects):
            value = value + units.group_rows @ self.group_effects
        pev = self._errors(units.rows, units.rows)
        return Predicted(np.asarray(value), pev, units.a[:, None, None] * self.parameters.G0)

    def performance(self, workers: Predicted, queens: Predicted, k: Floats) -> tuple[Floats, Floats, Floats]:
        """Worker effect of the worker group plus queen effect of the queen, for the mated queens, (n_mated,).

        k : (2t,). Weights of the effects of all traits (k of one trait: 1 at its two effects).
        """
        q = self.mated.queens
        of_worker = np.where(np.arange(len(k)) % 2 == 0, k, 0.0)
        of_queen = k - of_worker
        cross, G0 = self._queen_with_workers, self.parameters.G0
        pev = (
            np.einsum("i,nij,j->n", of_worker, workers.pev, of_worker)
            + np.einsum("i,nij,j->n", of_queen, queens.pev[q], of_queen)
            + 2 * np.einsum("i,nij,j->n", of_queen, cross, of_worker)
        )
        prior = (
            self.mated.a_ww * (of_worker @ G0 @ of_worker)
            + self.mated.a_qq * (of_queen @ G0 @ of_queen)
            + 2 * self.mated.a_qw * (of_queen @ G0 @ of_worker)
        )
        return summarise(workers.value @ of_worker + queens.value[q] @ of_queen, pev, prior)

    @cached_property
    def _queen_with_workers(self) -> Floats:
        return self._errors(self.queens.rows[self.mated.queens], self.workers.rows)

    def _errors(self, left: Csr, right: Csr) -> Floats:
        """Joint error covariances of all 2t effects; 0 for effects that the model leaves out."""
        found = self.fit.error_blocks(0, left, right)
        wide = np.zeros((len(found), *self.parameters.G0.shape))
        kept = np.array(self.kept)
        wide[:, kept[:, None], kept[None, :]] = found
        return wide

    def trait_contrasts(self, k: int) -> tuple[Floats, Floats, Floats]:
        """Contrasts of trait k: worker effect, queen effect, their sum."""
        eye = np.eye(2 * len(self.parameters.traits))
        return eye[2 * k], eye[2 * k + 1], eye[2 * k] + eye[2 * k + 1]
