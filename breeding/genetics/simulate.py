"""Seeded simulation of true breeding values down a pedigree, and of records with known truth."""

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from breeding.genetics.colony_model import colony_rows
from breeding.genetics.nodes import NodeTable
from breeding.genetics.parameters import check_parameters
from breeding.genetics.records import Parameters, Record
from breeding.genetics.types import Floats, InputError


@dataclass(frozen=True)
class Truth:
    """True values; columns trait 1 worker, trait 1 queen, trait 2 worker, ... in the traits' units.

    nodes : (n_nodes, 2t). queens : (n_queens, 2t), rows as ``queen_ids``.
    """

    traits: tuple[str, ...]
    queen_ids: tuple[str, ...]
    nodes: Floats
    queens: Floats
    table: NodeTable

    def total(self, trait: str) -> dict[str, float]:
        """Worker + queen effect of each queen's own genes."""
        k = 2 * self.traits.index(trait)
        return dict(zip(self.queen_ids, (self.queens[:, k] + self.queens[:, k + 1]).tolist(), strict=True))

    def performance(self, trait: str, queens: Sequence[str]) -> Floats:
        """Worker effect of the worker group + queen effect of the queen, (n,)."""
        k = 2 * self.traits.index(trait)
        worker, own = colony_rows(self.table, self._rows(queens))
        return np.asarray(worker @ self.nodes[:, k] + own @ self.nodes[:, k + 1])

    def _rows(self, queens: Sequence[str]) -> "np.ndarray[tuple[int], np.dtype[np.int64]]":
        plan = self.table.layout
        for i, id_ in enumerate(queens):
            if plan.index.get(id_, plan.n_queens) >= plan.n_queens:
                raise InputError(f"queens[{i}]", f'unknown queen "{id_}"')
            if plan.set_of[plan.index[id_]] < 0:
                raise InputError(f"queens[{i}]", f'queen "{id_}" has no mating, so no colony')
        return np.array([plan.index[id_] for id_ in queens], dtype=np.int64)


def simulate_values(table: NodeTable, parameters: Parameters, rng: np.random.Generator) -> Truth:
    """Drop genes of very many small loci down the pedigree.

    Notes
    -----
    Each node is the weighted mean of its parents plus a Mendelian term from N(0, D G0): the drones of a
    mating, which of them fathered a queen, and which half of her mother's genes she got.
    """
    check_parameters(parameters)
    own = rng.standard_normal((table.n_nodes, len(parameters.G0))) @ np.linalg.cholesky(parameters.G0).T
    own *= np.sqrt(table.D)[:, None]
    edges = [0, *(np.flatnonzero(np.diff(table.level)) + 1).tolist(), table.n_nodes]
    for start, stop in itertools.pairwise(edges):
        own[start:stop] += table.P[start:stop] @ own
    queens = np.asarray(table.expression[: table.layout.n_queens] @ own)
    return Truth(parameters.traits, tuple(table.queen_ids), own, queens, table)


@dataclass(frozen=True)
class RecordedColony:
    """A colony that was tested: its queen and the levels of the environmental factors."""

    queen: str
    fixed: Mapping[str, str]


def simulate_records(
    truth: Truth,
    parameters: Parameters,
    colonies: Sequence[RecordedColony],
    *,
    means: Mapping[str, float],
    factor_sd: Mapping[str, Mapping[str, float]],
    missing: float = 0.0,
    rng: np.random.Generator,
) -> list[Record]:
    """Records of tested colonies: mean + factor levels + worker group + queen + residual.

    Parameters
    ----------
    means : trait -> mean, in the trait's unit.
    factor_sd : factor -> trait -> standard deviation of its levels; levels are drawn once.
    missing : share of values that were not recorded.
    """
    t = len(truth.traits)
    n = len(colonies)
    queens = [c.queen for c in colonies]
    y = np.stack([means[trait] + truth.performance(trait, queens) for trait in truth.traits], axis=1)
    y += rng.standard_normal((n, t)) @ np.linalg.cholesky(parameters.R0).T
    if parameters.permanent is not None:
        heads = {id_: k for k, id_ in enumerate(dict.fromkeys(queens))}
        lasting = rng.standard_normal((len(heads), t)) @ np.linalg.cholesky(parameters.permanent).T
        y += lasting[[heads[id_] for id_ in queens]]
    for factor, sd in factor_sd.items():
        levels = sorted({c.fixed[factor] for c in colonies})
        drawn = rng.standard_normal((len(levels), t)) * np.array([sd.get(trait, 0.0) for trait in truth.traits])
        at = {level: k for k, level in enumerate(levels)}
        y += drawn[[at[c.fixed[factor]] for c in colonies]]
    hidden = rng.random((n, t)) < missing
    return [
        Record(
            colony.queen,
            {trait: None if hidden[i, k] else float(y[i, k]) for k, trait in enumerate(truth.traits)},
            colony.fixed,
        )
        for i, colony in enumerate(colonies)
    ]
