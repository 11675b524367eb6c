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

import numpy as np
from scipy import sparse

from breeding.genetics.entities import UNKNOWN_GROUP, Entity, Layout, layout
from breeding.genetics.pedigree import Pedigree
from breeding.genetics.tracing import Tracer
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
    names : node -> unit, e.g. ``Q1``, ``d:k``, ``B:Q1``, ``S:st``, ``batch s1``.
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
    names: tuple[str, ...]
    node_of: Ints
    expression: Csr
    group_names: tuple[str, ...]
    P_group: Csr
    expression_group: Csr
    F: Floats

    @property
    def n_nodes(self) -> int:
        return len(self.D)

    @property
    def queen_ids(self) -> list[str]:
        return [e.name for e in self.layout.entities[: self.layout.n_queens]]

    @property
    def mated(self) -> list[int]:
        """Rows of the queens that carry sperm, in input order."""
        return [q for q, drones in enumerate(self.layout.set_of) if drones >= 0]

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
        shape = (len(names), len(self.layout.entities))
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

    Notes
    -----
    Only queens that were bred from are anybody's ancestors; their relationship with the drones they
    carry is traced once per mating, level by level, by sparse sweeps over those ancestors.
    """
    plan = layout(pedigree, mated=mated, path=path)
    return _Builder(plan).run()


class _Builder:
    def __init__(self, plan: Layout) -> None:
        self.plan = plan
        n = len(plan.entities)
        self.by_node: list[tuple[list[int], list[float]]] = [([], [])] * n
        self.by_group: list[list[tuple[str, float]]] = [[]] * n  # origins of entities without a node
        self.is_node = [False] * n
        self.diagonal = np.full(n, np.nan)  # a_bb of drone sets, a_SS of sister groups
        self.F = np.zeros(plan.n_queens)
        self.brood_F = np.zeros(plan.n_queens)  # inbreeding of daughters
        self.v = np.zeros(plan.n_queens)  # Mendelian variance of daughters
        self.names: list[str] = []
        self.D: list[float] = []
        self.level: list[int] = []
        self.parent_index: list[int] = []
        self.parent_weight: list[float] = []
        self.parent_start: list[int] = [0]
        self.node_groups: list[list[tuple[str, float]]] = []
        self.tracer = Tracer()
        self.compact: dict[int, int] = {}
        needed = {plan.set_of[q] for q in range(plan.n_queens) if plan.has_young[q]}
        self.needed = needed
        self.parental = [p or i in needed for i, p in enumerate(plan.parental)]

    def run(self) -> NodeTable:
        plan = self.plan
        level = plan.level
        order = np.argsort(level, kind="stable")
        bounds = np.searchsorted(level[order], np.arange(int(level.max(initial=-1)) + 2))
        dams_at: dict[int, list[int]] = {}
        for q in range(plan.n_queens):
            if plan.has_young[q]:
                at = int(max(level[q], level[plan.set_of[q]]))
                dams_at.setdefault(at, []).append(q)
        for at in range(len(bounds) - 1):
            members = order[bounds[at] : bounds[at + 1]].tolist()
            first = len(self.D)
            for i in members:
                self._place(i, at)
            self._extend_tracer(first)
            self._close_sets(members)
            self._close_dams(dams_at.get(at, []))
        return self._table()

    def _place(self, i: int, at: int) -> None:
        entity = self.plan.entities[i]
        D = self._mendelian(i, entity)
        index, weight = self._parents(entity)
        groups = self._origin(entity)
        if D <= NO_VARIANCE:
            self.by_node[i] = (index, weight)
            self.by_group[i] = groups
            return
        node = len(self.D)
        self.is_node[i] = True
        self.by_node[i] = ([node], [1.0])
        self.names.append(entity.name)
        self.D.append(D)
        self.level.append(at)
        self.parent_index += index
        self.parent_weight += weight
        self.parent_start.append(len(self.parent_index))
        self.node_groups.append(groups)
        if self.parental[i]:
            self.compact[node] = len(self.compact)

    def _mendelian(self, i: int, entity: Entity) -> float:
        F = self.F
        match entity.kind:
            case "queen":
                if entity.dam < 0:
                    return 1.0
                F[i] = self.brood_F[entity.dam]
                return float(self.v[entity.dam])
            case "drone":
                return 2.0 if entity.dam < 0 else 1.0 - float(F[entity.dam])
            case "set":
                return float(sum(w * w * (1.0 - F[p]) / n for p, w, n in entity.drones if n is not None))
            case "station":
                if entity.count is None:
                    return 0.0
                return (2.0 - float(self.diagonal[entity.parents[0][0]])) / entity.count
            case "open":
                return 0.0 if entity.count is None else 2.0 / entity.count
        assert entity.count is not None
        v = 1.0 if entity.dam < 0 else float(self.v[entity.dam])
        D = v / entity.count
        self.diagonal[i] = D
        if entity.dam >= 0:  # mean of sisters = worker group of their mother + its own term
            dam = entity.dam
            drones = float(self.diagonal[self.plan.set_of[dam]])
            self.diagonal[i] += 0.25 * (1.0 + F[dam]) + 0.25 * drones + self.brood_F[dam]
        return D

    def _parents(self, entity: Entity) -> tuple[list[int], list[float]]:
        merged: dict[int, float] = {}
        for parent, weight in entity.parents:
            for node, share in zip(*self.by_node[parent], strict=True):
                merged[node] = merged.get(node, 0.0) + weight * share
        return list(merged), list(merged.values())

    def _origin(self, entity: Entity) -> list[tuple[str, float]]:
        """Origins that do not reach the entity through a node: its own, or those of node-free parents."""
        if not entity.parents:
            return [(entity.group or UNKNOWN_GROUP, 1.0)]
        merged: dict[str, float] = {}
        for parent, weight in entity.parents:
            for group, share in self.by_group[parent]:
                merged[group] = merged.get(group, 0.0) + weight * share
        return list(merged.items())

    def _extend_tracer(self, first: int) -> None:
        new = [node for node in range(first, len(self.D)) if node in self.compact]
        if not new:
            return
        columns: list[int] = []
        weights: list[float] = []
        starts = [0]
        for node in new:
            begin, end = self.parent_start[node], self.parent_start[node + 1]
            columns += [self.compact[p] for p in self.parent_index[begin:end]]
            weights += self.parent_weight[begin:end]
            starts.append(len(columns))
        rows = sparse.csr_array((weights, columns, starts), shape=(len(new), len(self.compact)))
        self.tracer.add_level(rows, np.array([self.D[node] for node in new]))

    def _compact_rows(self, rows: list[tuple[list[int], list[float]]]) -> Csr:
        starts = np.cumsum([0, *(len(index) for index, _ in rows)])
        columns = [self.compact[node] for index, _ in rows for node in index]
        weights = [w for _, weight in rows for w in weight]
        return sparse.csr_array((weights, columns, starts), shape=(len(rows), max(1, self.tracer.size)))

    def _close_sets(self, members: list[int]) -> None:
        """Diagonals a_bb of the drone sets that queens with daughters carry."""
        mixed: list[int] = []
        entities = self.plan.entities
        for i in members:
            if i not in self.needed:
                continue
            entity = entities[i]
            index, _ = self.by_node[i]
            own = self.D[index[0]] if self.is_node[i] else 0.0
            match entity.kind:
                case "drone":
                    self.diagonal[i] = 2.0 if entity.dam < 0 else 1.0 + self.F[entity.dam] + own
                case "open":
                    self.diagonal[i] = own
                case "station":
                    self.diagonal[i] = self.diagonal[entity.parents[0][0]] + own
                case "set" if len(entity.parents) == 1:
                    self.diagonal[i] = 1.0 + self.F[entity.parents[0][0]] + own
                case _:
                    mixed.append(i)
        if mixed:
            rows = self._compact_rows([self.by_node[i] for i in mixed])
            self.diagonal[mixed] = self.tracer.pairs(rows, rows)

    def _close_dams(self, dams: list[int]) -> None:
        """Inbreeding and Mendelian variance of the daughters of queens that were bred from."""
        if not dams:
            return
        sets = [self.plan.set_of[q] for q in dams]
        left = self._compact_rows([self.by_node[q] for q in dams])
        right = self._compact_rows([self.by_node[b] for b in sets])
        shared = self.tracer.pairs(left, right)
        self.brood_F[dams] = 0.5 * shared
        self.v[dams] = 0.25 * (1.0 - self.F[dams]) + 0.25 * (2.0 - self.diagonal[sets])

    def _table(self) -> NodeTable:
        n, entities = len(self.D), self.plan.entities
        P = sparse.csr_array((self.parent_weight, self.parent_index, self.parent_start), shape=(n, n))
        starts = np.cumsum([0, *(len(index) for index, _ in self.by_node)])
        columns = [node for index, _ in self.by_node for node in index]
        weights = [w for _, weight in self.by_node for w in weight]
        expression = sparse.csr_array((weights, columns, starts), shape=(len(entities), n))
        names = tuple(sorted({g for row in (*self.node_groups, *self.by_group) for g, _ in row}))
        node_of = np.array(
            [row[0][0] if own else n for own, row in zip(self.is_node, self.by_node, strict=True)],
            dtype=np.int64,
        )
        return NodeTable(
            self.plan,
            P,
            np.array(self.D),
            np.array(self.level, dtype=np.int64),
            tuple(self.names),
            node_of,
            expression,
            names,
            _group_rows(self.node_groups, names),
            _group_rows(self.by_group, names),
            self.F,
        )


def _group_rows(rows: list[list[tuple[str, float]]], names: tuple[str, ...]) -> Csr:
    at = {name: k for k, name in enumerate(names)}
    starts = np.cumsum([0, *(len(row) for row in rows)])
    columns = [at[g] for row in rows for g, _ in row]
    weights = [w for row in rows for _, w in row]
    return sparse.csr_array((weights, columns, starts), shape=(len(rows), len(names)))
