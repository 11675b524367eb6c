"""The node table: queens, drones and drone-set nodes with independent Mendelian terms of variance D.

With the drone set B of each mated queen as a node of its own, D is diagonal and the inverse
relationship matrix sparse: A^-1 = (I - P)' D^-1 (I - P).

References
----------
Brascamp & Bijma (2014), 10.1186/s12711-014-0053-9 (block form of the same relationships);
Meuwissen & Luo (1992), 10.1186/1297-9686-24-4-305 (diagonals by path tracing).
"""

import itertools
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy import sparse

from breeding.genetics.entities import UNKNOWN_GROUP, Layout, layout
from breeding.genetics.mendelian import Mendelian
from breeding.genetics.pedigree import Pedigree
from breeding.genetics.types import Csr, Floats, InputError, Ints

# Mendelian variance below which an entity is its parents' mean to rounding and gets no node.
NO_VARIANCE = 1e-12


@dataclass(frozen=True)
class NodeTable:
    """Nodes in birth order.

    Attributes
    ----------
    P : CSR, (n_nodes, n_nodes). Weights of the parents of each node.
    D : (n_nodes,). Mendelian variance as a multiple of the additive variance of base queens.
    level : (n_nodes,). Longest way to a founder.
    entity : (n_nodes,). Entity of each node.
    node_of : (n_entities,). Node of each entity, n_nodes where it has none.
    expression : CSR, (n_entities, n_nodes). Each entity by nodes; one weight 1 where it is a node.
    group_names : origins of the base entities, sorted.
    P_group, expression_group : the same for origins, (n, n_groups).
    F : (n_queens,). Inbreeding of the queens.
    """

    layout: Layout
    P: Csr
    D: Floats
    level: Ints
    entity: Ints
    node_of: Ints
    expression: Csr
    group_names: tuple[str, ...]
    P_group: Csr
    expression_group: Csr
    F: Floats

    @property
    def n_nodes(self) -> int:
        return len(self.D)

    @cached_property
    def names(self) -> tuple[str, ...]:
        """Unit of each node, e.g. ``Q1``, ``d:k``, ``B:Q1``, ``S:st``, ``batch s1``."""
        return tuple(self.layout.name_of(i) for i in self.entity.tolist())

    @cached_property
    def queen_ids(self) -> list[str]:
        return [self.layout.name_of(i) for i in range(self.layout.n_queens)]

    @cached_property
    def mated(self) -> list[int]:
        """Rows of the queens that carry sperm, in input order."""
        return [int(q) for q in np.flatnonzero(self.layout.set_of >= 0)]

    def log_det(self) -> float:
        """ln|A|."""
        return float(np.log(self.D).sum())

    def inverse(self) -> Csr:
        """Sparse A^-1, (n_nodes, n_nodes)."""
        step = sparse.eye_array(self.n_nodes, format="csr") - self.P
        return sparse.csr_array(step.T @ sparse.diags_array(1.0 / self.D) @ step)

    def units(self, names: Sequence[str], *, path: str = "units") -> Csr:
        """Node weights of units ``Q``, ``W:Q``, ``B:Q``, ``S:g``, ``d:x``; (n_units, n_nodes)."""
        return self._choose(names, path) @ self.expression

    def unit_groups(self, names: Sequence[str], *, path: str = "units") -> Csr:
        """Weights of the origins in each unit, (n_units, n_groups)."""
        return self._choose(names, path) @ self.group_shares()

    def group_shares(self) -> Csr:
        """Expected origin of each entity, rows sum to 1, (n_entities, n_groups)."""
        filled = self.P_group.toarray()
        edges = [0, *(np.flatnonzero(np.diff(self.level)) + 1).tolist(), self.n_nodes]
        for start, stop in itertools.pairwise(edges):
            filled[start:stop] += self.P[start:stop] @ filled
        return sparse.csr_array(self.expression @ filled + self.expression_group)

    def _choose(self, names: Sequence[str], path: str) -> Csr:
        rows: list[int] = []
        columns: list[int] = []
        weights: list[float] = []
        index = self.layout.index
        for i, name in enumerate(names):
            parts = [(name[2:], 0.5), (f"B:{name[2:]}", 0.5)] if name.startswith("W:") else [(name, 1.0)]
            for part, weight in parts:
                if part not in index:
                    raise InputError(f"{path}[{i}]", self._why_unknown(name))
                rows.append(i)
                columns.append(index[part])
                weights.append(weight)
        shape = (len(names), len(self.layout.kind))
        return sparse.csr_array((weights, (rows, columns)), shape=shape)

    def _why_unknown(self, name: str) -> str:
        if name[:2] in ("W:", "B:") and name[2:] in self.layout.index:
            return f'queen "{name[2:]}" has no mating, so "{name}" is not known'
        return f'unknown unit "{name}"'


def build_nodes(pedigree: Pedigree, *, mated: Iterable[str] = (), path: str = "pedigree") -> NodeTable:
    """Number the nodes of a pedigree and work out D and the inbreeding of all queens in one pass.

    Raises
    ------
    InputError
        Unknown or double ids, impossible numbers, loops in time (with the names of the loop).
    """
    return node_table(layout(pedigree, mated=mated, path=path))


def node_table(plan: Layout) -> NodeTable:
    """Nodes of a pedigree in arrays."""
    found = Mendelian(plan)
    n = len(plan.kind)
    entity = found.order[found.D[found.order] > NO_VARIANCE]
    n_nodes = len(entity)
    node_of = np.full(n, n_nodes, dtype=np.int64)
    node_of[entity] = np.arange(n_nodes)
    parents = sparse.csr_array((plan.parents.weight, plan.parents.index, plan.parents.start), shape=(n, n))
    base = np.flatnonzero(np.diff(plan.parents.start) == 0)
    names, origins = _origins(plan, base)
    without = np.flatnonzero(node_of == n_nodes)
    unit = sparse.csr_array((np.ones(n_nodes), (entity, np.arange(n_nodes))), shape=(n, n_nodes))
    if len(without):
        # Entities without variance of their own are their parents' mean, however deep that goes.
        lifted = sparse.diags_array((node_of == n_nodes).astype(float)) @ parents
        lifted.eliminate_zeros()
        expression = _filled(lifted, unit)
        own = sparse.csr_array(sparse.diags_array((node_of == n_nodes).astype(float)) @ origins)
        expression_group = _filled(lifted, own)
        P = sparse.csr_array(parents[entity] @ expression)
        P_group = sparse.csr_array(origins[entity] + parents[entity] @ expression_group)
    else:
        expression, expression_group = unit, sparse.csr_array((n, len(names)))
        own_rows = parents[entity]
        P = sparse.csr_array((own_rows.data, node_of[own_rows.indices], own_rows.indptr), shape=(n_nodes, n_nodes))
        P_group = origins[entity]
    P.sort_indices()
    expression_group.eliminate_zeros()
    return NodeTable(
        plan, P, found.D[entity], plan.level[entity], entity, node_of, expression, names, P_group, expression_group,
        found.F,
    )  # fmt: skip


def _filled(lifted: Csr, known: Csr) -> Csr:
    """Solve E = known + lifted E, where ``lifted`` descends."""
    total, more = known, known
    while True:
        more = sparse.csr_array(lifted @ more)
        if more.nnz == 0:
            return total
        total = sparse.csr_array(total + more)


def _origins(plan: Layout, base: Ints) -> tuple[tuple[str, ...], Csr]:
    """Sorted names of the origins, and the origin of each entity without parents, (n_entities, n_groups)."""
    given = [(int(i), plan.origin[int(i)]) for i in base if int(i) in plan.origin] if plan.origin else []
    found = {name or UNKNOWN_GROUP for _, name in given}
    if len(given) < len(base):
        found.add(UNKNOWN_GROUP)
    names = tuple(sorted(found))
    column = np.full(len(plan.kind), names.index(UNKNOWN_GROUP) if UNKNOWN_GROUP in found else 0, dtype=np.int64)
    for i, name in given:
        column[i] = names.index(name or UNKNOWN_GROUP)
    shape = (len(plan.kind), len(names))
    return names, sparse.csr_array((np.ones(len(base)), (base, column[base])), shape=shape)
