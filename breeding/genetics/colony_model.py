"""Records of colonies as mixed-model equations: worker group and queen enter each record.

    y = fixed + u_w(worker group of Q) + u_q(Q) (+ permanent effect of the colony) + e

References
----------
Brascamp & Bijma (2014), 10.1186/s12711-014-0053-9; Quaas (1988), 10.3168/jds.S0022-0302(88)79691-5
(genetic groups).
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import sparse

from breeding.genetics.mixed_model import MixedModel, Solution, Term, independent_columns
from breeding.genetics.nodes import NodeTable
from breeding.genetics.records import ModelSpec, Parameters, Record
from breeding.genetics.types import Csr, Floats, InputError, Ints

MEAN = "mean"


@dataclass(frozen=True)
class ColonyModel:
    """Equations and the names of their columns.

    labels : per trait the names of all fixed columns with data; ``kept`` says which have an unknown
    (the others depend on columns before them and count as 0).
    n_group_columns : how many of the last columns are genetic groups (worker, queen per group);
    ``group_effects`` says which of both effects the model holds.
    """

    model: MixedModel
    traits: tuple[str, ...]
    labels: tuple[tuple[str, ...], ...]
    kept: tuple[Ints, ...]
    n_group_columns: int
    group_names: tuple[str, ...]
    record_queens: Ints
    group_effects: tuple[int, ...] = (0, 1)

    def covariances(self, parameters: Parameters, spec: ModelSpec) -> list[Floats]:
        """K of each term, in the order of the model's terms."""
        kept = spec.kept_effects(len(self.traits))
        found = [parameters.G0[np.ix_(kept, kept)]]
        if spec.permanent_colony:
            assert parameters.permanent is not None
            found.append(parameters.permanent)
        found += [parameters.random[name] for name in spec.random]
        return found

    def fixed(self, fit: Solution) -> dict[str, dict[str, float]]:
        """Fixed effects by trait and column name; dependent columns are 0."""
        made: dict[str, dict[str, float]] = {}
        for k, trait in enumerate(self.traits):
            values = self._all_columns(fit, k)
            names = self.labels[k]
            made[trait] = {name: float(values[i]) for i, name in enumerate(names) if name}
        return made

    def groups(self, fit: Solution) -> Floats:
        """Genetic group effects, (n_groups, 2t), the first group 0."""
        g = np.zeros((len(self.group_names), 2 * len(self.traits)))
        if self.n_group_columns:
            for k in range(len(self.traits)):
                values = self._all_columns(fit, k)[len(self.labels[k]) - self.n_group_columns :]
                own = [2 * k + effect for effect in self.group_effects]
                g[1:, own] = values.reshape(-1, len(own))
        return g

    def _all_columns(self, fit: Solution, trait: int) -> Floats:
        values = np.zeros(len(self.labels[trait]))
        values[self.kept[trait]] = fit.fixed(trait)
        return values


def build_colony_model(
    table: NodeTable,
    records: Sequence[Record],
    spec: ModelSpec,
    traits: Sequence[str],
    *,
    together: Csr | None = None,
    path: str = "records",
) -> ColonyModel:
    """Set up the equations.

    Parameters
    ----------
    together : CSR (n_units, n_nodes) or None. Units whose joint errors will be asked for.

    Raises
    ------
    InputError
        A record names an unknown queen or trait, lacks a level or covariate, or holds no number.
    """
    y, rows = _values(table, records, traits, path)
    kept = [records[i] for i in rows]
    queens = np.array([table.layout.index[r.queen] for r in kept], dtype=np.int64)
    worker, queen = colony_rows(table, queens)
    graph = None if together is None else sparse.csr_array(abs(together).T @ abs(together))
    effects = tuple(spec.kept_effects(1))
    designs_of = (worker, queen)
    terms = [Term("genetic", tuple(designs_of[e] for e in effects), table.inverse(), table.log_det(), graph)]
    if spec.permanent_colony:
        terms.append(_independent("permanent", [r.queen for r in kept]))
    for name in spec.random:
        terms.append(_independent(name, [r.fixed.get(name, "") for r in kept]))
    plain, names = _fixed_columns(kept, rows, spec, path)
    groups, n_groups = _group_columns(table, queens, spec)
    X = sparse.hstack([plain, groups], format="csr")
    designs: list[Csr] = []
    labels: list[tuple[str, ...]] = []
    chosen: list[Ints] = []
    for k in range(len(traits)):
        seen = X[np.flatnonzero(np.isfinite(y[:, k]))]
        columns = independent_columns(seen)
        used = np.asarray(abs(seen).sum(axis=0)).ravel() > 0
        labels.append(tuple(n if used[i] else "" for i, n in enumerate([*names, *[""] * n_groups])))
        chosen.append(columns)
        designs.append(X[:, columns])
    return ColonyModel(
        MixedModel(y, designs, terms),
        tuple(traits),
        tuple(labels),
        tuple(chosen),
        n_groups,
        table.group_names if spec.groups == "fixed" else (),
        queens,
        effects,
    )


def colony_rows(table: NodeTable, queens: Ints) -> tuple[Csr, Csr]:
    """Node weights of the worker groups and of the queens, both (n, n_nodes)."""
    sets = np.array([table.layout.set_of[q] for q in queens.tolist()], dtype=np.int64)
    own = table.expression[queens]
    return sparse.csr_array(0.5 * own + 0.5 * table.expression[sets]), own


def _values(table: NodeTable, records: Sequence[Record], traits: Sequence[str], path: str) -> tuple[Floats, list[int]]:
    at = {trait: k for k, trait in enumerate(traits)}
    known = table.layout.index
    y = np.full((len(records), len(traits)), np.nan)
    for i, record in enumerate(records):
        if known.get(record.queen, table.layout.n_queens) >= table.layout.n_queens:
            raise InputError(f"{path}[{i}].queen", f'unknown queen "{record.queen}"')
        for trait, value in record.values.items():
            if trait not in at:
                raise InputError(f"{path}[{i}].values.{trait}", f'unknown trait "{trait}"')
            if value is not None:
                if not np.isfinite(value):
                    raise InputError(f"{path}[{i}].values.{trait}", "must be a number")
                y[i, at[trait]] = value
    rows = np.flatnonzero(np.isfinite(y).any(axis=1)).tolist()
    if not rows:
        raise InputError(path, "no record holds a value")
    return y[rows], rows


def _independent(name: str, levels: Sequence[str]) -> Term:
    names = sorted({level for level in levels if level})
    at = {level: k for k, level in enumerate(names)}
    where = [(i, at[level]) for i, level in enumerate(levels) if level]
    pairs = np.array(where, dtype=np.int64).reshape(-1, 2)
    shape = (len(levels), max(1, len(names)))
    Z = sparse.csr_array((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), shape=shape)
    return Term(name, (Z,), sparse.eye_array(shape[1], format="csr"))


def _fixed_columns(records: Sequence[Record], rows: Sequence[int], spec: ModelSpec, path: str) -> tuple[Csr, list[str]]:
    """One column per level of the first factor, all but the first level of the others, then covariates."""
    n = len(records)
    parts: list[Csr] = []
    names: list[str] = []
    if not spec.fixed:
        parts.append(sparse.csr_array(np.ones((n, 1))))
        names.append(MEAN)
    for k, factor in enumerate(spec.fixed):
        levels: list[str] = []
        for i, record in zip(rows, records, strict=True):
            if factor not in record.fixed:
                raise InputError(f"{path}[{i}].fixed.{factor}", "is missing; the model needs it")
            levels.append(record.fixed[factor])
        found = sorted(set(levels))
        at = {level: c for c, level in enumerate(found)}
        columns = np.array([at[level] for level in levels], dtype=np.int64)
        Z = sparse.csr_array((np.ones(n), (np.arange(n), columns)), shape=(n, len(found)))
        first = 1 if k else 0
        parts.append(Z[:, first:])
        names += [f"{factor}={level}" for level in found[first:]]
    for covariate in spec.covariates:
        values = np.zeros((n, 1))
        for row, (i, record) in enumerate(zip(rows, records, strict=True)):
            value = record.covariates.get(covariate)
            if value is None or not np.isfinite(value):
                raise InputError(f"{path}[{i}].covariates.{covariate}", "is missing; the model needs it")
            values[row, 0] = value
        parts.append(sparse.csr_array(values))
        names.append(covariate)
    return sparse.hstack(parts, format="csr"), names


def _group_columns(table: NodeTable, queens: Ints, spec: ModelSpec) -> tuple[Csr, int]:
    """A column for each effect of each group but the first; the first group is 0."""
    if spec.groups != "fixed" or len(table.group_names) < 2:
        return sparse.csr_array((len(queens), 0)), 0
    shares = table.group_shares()
    sets = np.array([table.layout.set_of[q] for q in queens.tolist()], dtype=np.int64)
    own = shares[queens].toarray()
    workers = 0.5 * own + 0.5 * shares[sets].toarray()
    both = np.stack([workers[:, 1:], own[:, 1:]], axis=2)
    columns = both[:, :, spec.kept_effects(1)].reshape(len(queens), -1)
    return sparse.csr_array(columns), columns.shape[1]
