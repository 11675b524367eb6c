"""Records of colonies as mixed-model equations: worker group and queen enter each record.

    y = fixed + u_w(worker group of Q) + u_q(Q) (+ permanent effect of the colony) + e

References
----------
Brascamp & Bijma (2014), 10.1186/s12711-014-0053-9; Quaas (1988), 10.3168/jds.S0022-0302(88)79691-5
(genetic groups).
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Protocol

import numpy as np
from scipy import sparse

from breeding.genetics.absorbed import AbsorbedModel
from breeding.genetics.cells import ColonyData
from breeding.genetics.mixed_model import MixedModel, Term, independent_columns
from breeding.genetics.nodes import NodeTable
from breeding.genetics.records import ModelSpec, Parameters, Record
from breeding.genetics.types import Csr, Floats, InputError, Ints

MEAN = "mean"


class FixedEffects(Protocol):
    """Solved equations, as far as the fixed effects go."""

    def fixed(self, trait: int) -> Floats: ...


@dataclass(frozen=True)
class ColonyModel:
    """Records in arrays and the names of their columns; ``model`` holds the equations.

    labels : per trait the names of all fixed columns with data; ``kept`` says which have an unknown
    (the others depend on columns before them and count as 0).
    n_group_columns : how many of the last columns are genetic groups (worker, queen per group);
    ``group_effects`` says which of both effects the model holds.
    """

    table: NodeTable
    data: ColonyData
    traits: tuple[str, ...]
    labels: tuple[tuple[str, ...], ...]
    n_group_columns: int
    group_names: tuple[str, ...]

    @property
    def kept(self) -> tuple[Ints, ...]:
        return self.data.columns

    @property
    def group_effects(self) -> tuple[int, ...]:
        return self.data.effects

    @cached_property
    def model(self) -> AbsorbedModel:
        return AbsorbedModel(self.table, self.data)

    def covariances(self, parameters: Parameters, spec: ModelSpec) -> list[Floats]:
        """K of each term, in the order of the model's terms."""
        kept = spec.kept_effects(len(self.traits))
        found = [parameters.G0[np.ix_(kept, kept)]]
        if spec.permanent_colony:
            assert parameters.permanent is not None
            found.append(parameters.permanent)
        found += [parameters.random[name] for name in spec.random]
        return found

    def fixed(self, fit: FixedEffects) -> dict[str, dict[str, float]]:
        """Fixed effects by trait and column name; dependent columns are 0."""
        made: dict[str, dict[str, float]] = {}
        for k, trait in enumerate(self.traits):
            values = self._all_columns(fit, k)
            names = self.labels[k]
            made[trait] = {name: float(values[i]) for i, name in enumerate(names) if name}
        return made

    def groups(self, fit: FixedEffects) -> Floats:
        """Genetic group effects, (n_groups, 2t), the first group 0."""
        g = np.zeros((len(self.group_names), 2 * len(self.traits)))
        if self.n_group_columns:
            for k in range(len(self.traits)):
                values = self._all_columns(fit, k)[len(self.labels[k]) - self.n_group_columns :]
                own = [2 * k + effect for effect in self.group_effects]
                g[1:, own] = values.reshape(-1, len(own))
        return g

    def _all_columns(self, fit: FixedEffects, trait: int) -> Floats:
        values = np.zeros(len(self.labels[trait]))
        values[self.kept[trait]] = fit.fixed(trait)
        return values


def build_colony_model(
    table: NodeTable, records: Sequence[Record], spec: ModelSpec, traits: Sequence[str], *, path: str = "records"
) -> ColonyModel:
    """Put the records into arrays.

    Raises
    ------
    InputError
        A record names an unknown queen or trait, lacks a level or covariate, or holds no number.
    """
    y, rows = _values(table, records, traits, path)
    kept = [records[i] for i in rows]
    queens = np.array([table.layout.index[r.queen] for r in kept], dtype=np.int64)
    factors: dict[str, Levels] = {}
    for name in spec.fixed:
        for i, record in zip(rows, kept, strict=True):
            if name not in record.fixed:
                raise InputError(f"{path}[{i}].fixed.{name}", "is missing; the model needs it")
        factors[name] = Levels.of([record.fixed[name] for record in kept])
    random = {name: Levels.of([record.fixed.get(name, "") for record in kept]) for name in spec.random}
    covariates: dict[str, Floats] = {}
    for name in spec.covariates:
        for i, record in zip(rows, kept, strict=True):
            value = record.covariates.get(name)
            if value is None or not np.isfinite(value):
                raise InputError(f"{path}[{i}].covariates.{name}", "is missing; the model needs it")
        covariates[name] = np.array([record.covariates[name] for record in kept], dtype=float)
    return colony_model_of_arrays(table, traits, queens, y, spec, factors=factors, random=random, covariates=covariates)


@dataclass(frozen=True)
class Levels:
    """A factor: the level of each record, numbered in the order of ``names``; -1 none."""

    code: Ints
    names: tuple[str, ...]

    @classmethod
    def of(cls, given: Sequence[str]) -> "Levels":
        """Levels sorted by name; an empty name is none."""
        names = sorted({level for level in given if level})
        at = {level: k for k, level in enumerate(names)}
        return cls(np.array([at.get(level, -1) for level in given], dtype=np.int64), tuple(names))


def colony_model_of_arrays(
    table: NodeTable,
    traits: Sequence[str],
    queens: Ints,
    y: Floats,
    spec: ModelSpec,
    *,
    factors: Mapping[str, Levels],
    random: Mapping[str, Levels] | None = None,
    covariates: Mapping[str, Floats] | None = None,
) -> ColonyModel:
    """The model of records that stand in arrays already.

    Parameters
    ----------
    queens : (n,). Row of the tested queen; every one is mated. y : (n, t), NaN where not recorded, no row empty.
    factors, random, covariates : of each name in the model; (n,) each. Fixed levels are present everywhere.
    """
    plain, names = _fixed_columns(len(queens), spec, factors, covariates or {})
    groups, n_groups = _group_columns(table, queens, spec)
    X = sparse.hstack([plain, groups], format="csr")
    labels: list[tuple[str, ...]] = []
    chosen: list[Ints] = []
    for k in range(len(traits)):
        seen = X[np.flatnonzero(np.isfinite(y[:, k]))]
        used = np.asarray(abs(seen).sum(axis=0)).ravel() > 0
        labels.append(tuple(n if used[i] else "" for i, n in enumerate([*names, *[""] * n_groups])))
        chosen.append(independent_columns(seen))
    levels = [(name, (random or {})[name]) for name in spec.random]
    data = ColonyData(
        queens,
        y,
        X,
        tuple(chosen),
        tuple(spec.kept_effects(1)),
        spec.permanent_colony,
        tuple((name, own.code, max(1, len(own.names))) for name, own in levels),
    )
    names_of_groups = table.group_names if spec.groups == "fixed" else ()
    return ColonyModel(table, data, tuple(traits), tuple(labels), n_groups, names_of_groups)


def full_equations(table: NodeTable, data: ColonyData) -> MixedModel:
    """The same model with nothing absorbed: every node, colony and level an unknown. For checks and comparison."""
    rows = colony_rows(table, data.queens)
    terms = [Term("genetic", tuple(rows[e] for e in data.effects), table.inverse(), table.log_det())]
    if data.permanent:
        _, colony = np.unique(data.queens, return_inverse=True)
        terms.append(_independent("permanent", colony, int(colony.max(initial=0)) + 1))
    terms += [_independent(name, level, n) for name, level, n in data.random]
    return MixedModel(data.y, [data.fixed[:, chosen] for chosen in data.columns], terms)


def colony_rows(table: NodeTable, queens: Ints) -> tuple[Csr, Csr]:
    """Node weights of the worker groups and of the queens, both (n, n_nodes)."""
    own = table.expression[queens]
    return sparse.csr_array(0.5 * own + 0.5 * table.expression[table.layout.set_of[queens]]), own


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


def _independent(name: str, level: Ints, n_levels: int) -> Term:
    has = np.flatnonzero(level >= 0)
    Z = sparse.csr_array((np.ones(len(has)), (has, level[has])), shape=(len(level), n_levels))
    return Term(name, (Z,), sparse.eye_array(n_levels, format="csr"))


def _fixed_columns(
    n: int, spec: ModelSpec, factors: Mapping[str, Levels], covariates: Mapping[str, Floats]
) -> tuple[Csr, list[str]]:
    """One column per level of the first factor, all but the first level of the others, then covariates."""
    parts: list[Csr] = []
    names: list[str] = []
    if not spec.fixed:
        parts.append(sparse.csr_array(np.ones((n, 1))))
        names.append(MEAN)
    for k, factor in enumerate(spec.fixed):
        levels = factors[factor]
        Z = sparse.csr_array((np.ones(n), (np.arange(n), levels.code)), shape=(n, len(levels.names)))
        first = 1 if k else 0
        parts.append(Z[:, first:])
        names += [f"{factor}={level}" for level in levels.names[first:]]
    for covariate in spec.covariates:
        parts.append(sparse.csr_array(covariates[covariate][:, None]))
        names.append(covariate)
    return sparse.hstack(parts, format="csr"), names


def _group_columns(table: NodeTable, queens: Ints, spec: ModelSpec) -> tuple[Csr, int]:
    """A column for each effect of each group but the first; the first group is 0."""
    if spec.groups != "fixed" or len(table.group_names) < 2:
        return sparse.csr_array((len(queens), 0)), 0
    shares = table.group_shares()
    own = shares[queens].toarray()
    workers = 0.5 * own + 0.5 * shares[table.layout.set_of[queens]].toarray()
    both = np.stack([workers[:, 1:], own[:, 1:]], axis=2)
    columns = both[:, :, spec.kept_effects(1)].reshape(len(queens), -1)
    return sparse.csr_array(columns), columns.shape[1]
