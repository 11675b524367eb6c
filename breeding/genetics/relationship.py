"""Relationships and inbreeding of queens, worker groups, drone sets, drones and sister groups.

Everywhere a = 2 x coancestry, so a drone with himself has 2 and Cov(u_X, u_Y) = a(X, Y) sigma2_A.
"""

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import sparse

from breeding.genetics.entities import QUEEN, SISTERS
from breeding.genetics.grouping import distinct_rows
from breeding.genetics.nodes import NodeTable
from breeding.genetics.tracing import Tracer
from breeding.genetics.types import Bools, Csr, Floats, Ints


def relationship_matrix(table: NodeTable, units: Sequence[str], *, path: str = "units") -> Floats:
    """Relationships between units, shape (n_units, n_units), dimensionless.

    units : names as ``Q1``, ``W:Q1``, ``B:Q1``, ``S:st``, ``d:k``. Only their ancestors are visited.
    """
    tracer, rows = ancestors_only(table, table.units(units, path=path))
    return tracer.matrix(rows)


def ancestors_of(table: NodeTable, rows: Csr) -> Ints:
    """Nodes that units (CSR of node weights) are made of or descend from, oldest first."""
    seen = np.zeros(table.n_nodes, dtype=bool)
    frontier = np.unique(rows.indices)
    while len(frontier):
        seen[frontier] = True
        parents = np.unique(table.P[frontier].indices)
        frontier = parents[~seen[parents]]
    return np.flatnonzero(seen)


def ancestors_only(table: NodeTable, rows: Csr) -> tuple[Tracer, Csr]:
    """A tracer over the ancestors of the given units, and the units in its numbering."""
    nodes = ancestors_of(table, rows)
    return Tracer.of(table.P[nodes][:, nodes], table.D[nodes], table.level[nodes]), rows[:, nodes].tocsr()


def relationship_of_pairs(table: NodeTable, left: Csr, right: Csr) -> Floats:
    """Relationship of left[i] with right[i]; CSR of node weights, (n, n_nodes); result (n,)."""
    tracer, both = ancestors_only(table, sparse.vstack([left, right], format="csr"))
    n = left.shape[0]
    return tracer.pairs(both[:n], both[n:])


def relationship_between(table: NodeTable, left: Csr, right: Csr) -> Floats:
    """Relationship of every left with every right unit, (n_left, n_right); CSR of node weights."""
    tracer, both = ancestors_only(table, sparse.vstack([left, right], format="csr"))
    n = left.shape[0]
    return np.asarray(both[:n] @ tracer.times(both[n:], np.eye(right.shape[0])))


@dataclass(frozen=True)
class MatedQueens:
    """Diagonals around each mated queen, all shape (n_mated,), rows as ``queens`` (rows of queens)."""

    queens: Ints
    a_qq: Floats
    a_qb: Floats
    a_bb: Floats

    @property
    def a_ww(self) -> Floats:
        """Relationship of two different workers (or daughters) of the queen."""
        return np.asarray(0.25 * self.a_qq + 0.25 * self.a_bb + 0.5 * self.a_qb)

    @property
    def a_qw(self) -> Floats:
        return 0.5 * self.a_qq + 0.5 * self.a_qb

    @property
    def worker_inbreeding(self) -> Floats:
        return 0.5 * self.a_qb

    @property
    def daughter_variance(self) -> Floats:
        """Mendelian variance v(Q) of daughters."""
        return 0.25 * (2.0 - self.a_qq) + 0.25 * (2.0 - self.a_bb)


def mated_queens(table: NodeTable) -> MatedQueens:
    """Relationships of each mated queen with the drones she carries.

    Notes
    -----
    A queen nobody descends from shares with her mates only what her parents share with them, so sisters
    inseminated from the same sources are traced once.
    """
    plan = table.layout
    mated = np.array(table.mated, dtype=np.int64)
    sets = plan.set_of[mated]
    a_qq = 1.0 + table.F[mated]
    parental = plan.parental
    has_node = table.node_of < table.n_nodes
    # Replace own nodes of entities that cannot be among the other's ancestors by their parents.
    queen_rows = _upwards(table, mated, keep=parental[mated])
    set_rows = _upwards(table, sets, keep=parental[sets])
    # Two queens of one mother with the same sources share a trace; so do their drone sets' diagonals.
    pair_first, pair_at = distinct_rows(_clean(sparse.hstack([queen_rows, set_rows], format="csr")))
    a_qb = relationship_of_pairs(table, queen_rows[pair_first], set_rows[pair_first])[pair_at]
    set_first, set_at = distinct_rows(_clean(set_rows))
    parents_only = relationship_of_pairs(table, set_rows[set_first], set_rows[set_first])[set_at]
    own = np.where(has_node[sets], np.append(table.D, 0.0)[table.node_of[sets]], 0.0)
    return MatedQueens(mated, a_qq, a_qb, parents_only + np.where(parental[sets], 0.0, own))


@dataclass(frozen=True)
class Inbreeding:
    queens: dict[str, float]
    workers: dict[str, float]
    known_generations: dict[str, float]


def inbreeding(table: NodeTable) -> Inbreeding:
    """Inbreeding of queens and of worker groups, and how many generations of each queen are known."""
    ids = table.queen_ids
    around = mated_queens(table)
    workers = {ids[q]: float(F) for q, F in zip(around.queens, around.worker_inbreeding, strict=True)}
    known = known_generations(table)
    return Inbreeding(
        dict(zip(ids, table.F.tolist(), strict=True)), workers, dict(zip(ids, known.tolist(), strict=True))
    )


def known_generations(table: NodeTable) -> Floats:
    """Equivalent complete generations of each queen, (n_queens,): sum of (1/2)^n over known queen ancestors.

    Notes
    -----
    The mother's side counts 1/2; the drones' side 1/2, shared by their mothers by weight. Drones count
    with their mother, unrecorded sisters of a known mother as one known queen, unknown drones as nothing.
    """
    plan = table.layout
    parents = sparse.csr_array(
        (plan.parents.weight, plan.parents.index, plan.parents.start), shape=(len(plan.kind),) * 2
    )
    through = ((plan.kind == QUEEN) | ((plan.kind == SISTERS) & (plan.dam >= 0))).astype(float)
    order = np.argsort(plan.level, kind="stable")  # generations known behind each entity, itself counted if a queen
    edges = np.searchsorted(plan.level[order], np.arange(int(plan.level.max(initial=0)) + 2))
    for start, stop in itertools.pairwise(edges.tolist()):
        here = order[start:stop]
        through[here] += parents[here] @ through
    return np.asarray(through[: plan.n_queens] - 1.0)


def _upwards(table: NodeTable, entities: Ints, *, keep: Bools) -> Csr:
    """Expressions of entities, childless ones replaced by their parents' nodes."""
    up = (table.node_of[entities] < table.n_nodes) & ~keep
    own = table.expression[entities]
    parents = table.P[np.where(up, table.node_of[entities], 0)]
    kept, lifted = sparse.diags_array((~up).astype(float)), sparse.diags_array(up.astype(float))
    return sparse.csr_array(kept @ own + lifted @ parents)


def _clean(rows: Csr) -> Csr:
    rows.eliminate_zeros()
    rows.sort_indices()
    return rows
