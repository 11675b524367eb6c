"""Which unknowns of a colony leave the equations in closed form, and what is left of the pedigree.

A queen nobody descends from and the drones she carries enter no record but her own colony's. Their Mendelian
terms m_Q and m_B then belong to the error of that record: u_Q = (her parents) + m_Q, u_B = (his mothers) + m_B.
What others descend from, or what several queens carry, stays in the equations.

The drone set B of one mother Q is replaced by her worker group W = 1/2 Q + 1/2 B: her daughters then have one
parent, and fewer unknowns meet in a record.

References
----------
Quaas & Pollak (1980), 10.2527/jas1980.5161277x (reduced animal model); Brascamp & Bijma (2014),
10.1186/s12711-014-0053-9 (worker groups).
"""

from dataclasses import dataclass

import numpy as np
from scipy import sparse

from breeding.genetics.nodes import NodeTable
from breeding.genetics.types import Csr, Floats, Ints


@dataclass(frozen=True)
class Reduction:
    """The unknowns that stay, z, and every queen and drone set by them.

    kept : (n_z,). Node behind each unknown; ``swapped`` ones stand for the worker group instead of the drone set.
    P, D : CSR (n_z, n_z) and (n_z,). Parents and Mendelian variances among them.
    back : CSR (n_z, n_z). Kept nodes by z.
    queens, drones : CSR (n_queens, n_z). Each queen, and what she carries, up to her own Mendelian terms.
    v, c : (n_queens,). Mendelian variances of m_Q and m_B where they left the equations, else 0.
    """

    kept: Ints
    swapped: Ints
    P: Csr
    D: Floats
    back: Csr
    queens: Csr
    drones: Csr
    v: Floats
    c: Floats
    queen_node: Ints
    drones_node: Ints

    @property
    def n_unknown(self) -> int:
        return len(self.kept)

    def log_det(self) -> float:
        """ln of the determinant of the relationships of z."""
        return float(np.log(self.D).sum())

    def precision(self) -> Csr:
        """Inverse of the relationships of z, (n_z, n_z)."""
        step = sparse.eye_array(self.n_unknown, format="csr") - self.P
        return sparse.csr_array(step.T @ sparse.diags_array(1.0 / self.D) @ step)


def reduce_nodes(table: NodeTable) -> Reduction:
    """Take childless queens and what they alone carry out of the equations."""
    plan, n_nodes = table.layout, table.n_nodes
    n_queens = plan.n_queens
    childless = np.ones(n_nodes + 1, dtype=bool)
    childless[table.P.indices] = False
    childless[n_nodes] = False  # an entity without a node
    without = np.flatnonzero(table.node_of == n_nodes)  # stands for its parents, who then enter others' records
    if len(without):
        childless[table.expression[without].indices] = False
    queen_node = table.node_of[:n_queens]
    mated = plan.set_of >= 0
    drones_node = np.where(mated, table.node_of[plan.set_of], n_nodes)
    carriers = np.bincount(drones_node, minlength=n_nodes + 1)
    own = (drones_node < n_nodes) & (carriers[drones_node] == 1)
    leaves_q, leaves_b = childless[queen_node], own & childless[drones_node]
    stays = np.ones(n_nodes + 1, dtype=bool)
    stays[queen_node[leaves_q]] = stays[drones_node[leaves_b]] = False
    stays[n_nodes] = False
    kept = np.flatnonzero(stays[:n_nodes])
    number = np.full(n_nodes + 1, -1, dtype=np.int64)
    number[kept] = np.arange(len(kept))
    swap = np.flatnonzero(own & ~leaves_b & plan.has_young & stays[queen_node] & stays[drones_node])
    swapped, partner = number[drones_node[swap]], number[queen_node[swap]]
    back = _back(len(kept), swapped, partner)
    parents = _columns(table.P, number, len(kept))
    kept_parents = parents[kept]
    half = np.ones(len(kept))
    half[swapped] = 0.5
    mothers = sparse.csr_array((np.full(len(swap), 0.5), (swapped, partner)), shape=back.shape)
    P = sparse.csr_array(sparse.diags_array(half) @ kept_parents @ back + mothers)
    expressed = _columns(table.expression, number, len(kept))
    queens = _rows(np.arange(n_queens), queen_node, leaves_q, expressed, parents, back)
    sets = np.where(mated, plan.set_of, 0)
    drones = _rows(sets, drones_node, leaves_b, expressed, parents, back, present=mated)
    D = np.append(table.D, 0.0)
    return Reduction(
        kept=kept,
        swapped=swapped,
        P=_clean(P),
        D=D[kept] * half**2,
        back=back,
        queens=queens,
        drones=drones,
        v=np.where(leaves_q, D[queen_node], 0.0),
        c=np.where(leaves_b, D[drones_node], 0.0),
        queen_node=queen_node,
        drones_node=drones_node,
    )


def _back(n: int, swapped: Ints, partner: Ints) -> Csr:
    """u = back z: a drone set is twice its worker group less the mother."""
    diagonal = np.ones(n)
    diagonal[swapped] = 2.0
    minus = sparse.csr_array((np.full(len(swapped), -1.0), (swapped, partner)), shape=(n, n))
    return sparse.csr_array(sparse.diags_array(diagonal).tocsr() + minus)


def _columns(rows: Csr, number: Ints, n: int) -> Csr:
    """Rows over the kept nodes alone; what left has no column."""
    column = number[rows.indices]
    inside = column >= 0
    start = np.concatenate([[0], np.cumsum(inside)])[rows.indptr]
    return sparse.csr_array((rows.data[inside], column[inside], start), shape=(rows.shape[0], n))


def _rows(
    entities: Ints,
    node: Ints,
    leaves: "np.ndarray[tuple[int], np.dtype[np.bool_]]",
    expressed: Csr,
    parents: Csr,
    back: Csr,
    present: "np.ndarray[tuple[int], np.dtype[np.bool_]] | None" = None,
) -> Csr:
    own = expressed[entities]
    if present is not None and not present.all():
        own = sparse.csr_array(sparse.diags_array(present.astype(float)) @ own)
    above = parents[np.where(leaves, node, 0)]
    if not leaves.all():
        above = sparse.csr_array(sparse.diags_array(leaves.astype(float)) @ above)
    return _clean(sparse.csr_array((own + above) @ back))


def _clean(rows: Csr) -> Csr:
    """Sorted, without what cancelled out (mother and worker group do, exactly)."""
    rows.eliminate_zeros()
    rows.sort_indices()
    return rows
