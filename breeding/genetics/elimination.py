"""Symbolic part of the sparse block Cholesky: order of elimination, supernodes, and who adds to whom.

The unknowns come in blocks (the effects of one node over all traits) that are eliminated together.
Supernodes whose fronts have the same size and whose children are done form one stack, so that numpy
works on a few large arrays instead of thousands of small ones.

References
----------
Amestoy, Davis & Duff (1996), 10.1137/S0895479894278952 (ordering); Liu (1992), 10.1137/1034004
(multifrontal elimination).
"""

from dataclasses import dataclass

import numpy as np
from cvxopt import amd, spmatrix
from scipy import sparse

from breeding.genetics.types import Bools, Csr, Ints

# A supernode swallows its only child when the front grows by no more than this share of zeros.
RELAXED = 0.15


@dataclass(frozen=True)
class Stack:
    """Supernodes of one height with ``s`` pivots and ``m`` further rows each.

    pivots : (g, s), rows : (g, m). Equations of the pivots and of the rows below them.
    front : offset of the first front; front k starts at front + k (s + m)^2.
    update : offset of the first update block; block k starts at update + k m^2.
    source, target : which update entries of children are added to which front entries.
    """

    pivots: Ints
    rows: Ints
    front: int
    update: int
    source: Ints
    target: Ints


@dataclass(frozen=True)
class Plan:
    """Everything of a factorisation that depends on the pattern alone.

    pattern : CSR, (n, n), sorted indices; its data are not used.
    entry, position : entry ``pattern.data[entry]`` starts at front entry ``position``.
    below : whether that entry lies outside its front's pivot block (its mirror image is not listed).
    """

    pattern: Csr
    stacks: tuple[Stack, ...]
    front_entries: int
    update_entries: int
    entry: Ints
    position: Ints
    below: Bools


def plan_elimination(pattern: Csr, blocks: Ints) -> Plan:
    """Plan the elimination of a symmetric matrix with dense blocks.

    Parameters
    ----------
    pattern : CSR, (n, n). Non-zeros of the matrix (both triangles).
    blocks : (n,). Block of each equation; blocks stand together, numbered from 0.
    """
    pattern = pattern.copy()
    pattern.sum_duplicates()
    n_blocks = int(blocks[-1]) + 1
    first = np.concatenate([[0], np.flatnonzero(np.diff(blocks)) + 1, [len(blocks)]])
    graph = _block_graph(pattern, blocks, n_blocks)
    order, columns = _order(graph)
    members, below = _supernodes(columns, np.diff(first)[order])
    return _stack(pattern, first, order, members, below)


def _block_graph(pattern: Csr, blocks: Ints, n_blocks: int) -> Csr:
    coo = pattern.tocoo()
    ones = np.ones(coo.nnz)
    graph = sparse.csr_array((ones, (blocks[coo.row], blocks[coo.col])), shape=(n_blocks, n_blocks))
    graph = (graph + sparse.eye_array(n_blocks)).tocsr()
    graph.sort_indices()
    return graph


def _order(graph: Csr) -> tuple[Ints, list[Ints]]:
    """Postordered minimum-degree order and, in its numbering, the rows below each pivot block."""
    coo = sparse.tril(graph).tocoo()
    lower = spmatrix(1.0, coo.row.tolist(), coo.col.tolist(), graph.shape)
    order = np.array(list(amd.order(lower)), dtype=np.int64)
    columns, parent = _structure(graph, order)
    post = _postorder(parent)
    if not np.array_equal(post, np.arange(len(post))):
        order = order[post]
        rank = np.empty_like(post)
        rank[post] = np.arange(len(post))
        columns = [np.sort(rank[columns[j]]) for j in post.tolist()]
    return order, columns


def _structure(graph: Csr, order: Ints) -> tuple[list[Ints], Ints]:
    n = len(order)
    rank = np.empty(n, dtype=np.int64)
    rank[order] = np.arange(n)
    children: list[list[int]] = [[] for _ in range(n)]
    columns: list[Ints] = []
    parent = np.full(n, -1, dtype=np.int64)
    indptr, indices = graph.indptr, graph.indices
    for j in range(n):
        block = order[j]
        own = rank[indices[indptr[block] : indptr[block + 1]]]
        parts = [own[own > j]]
        for child in children[j]:
            part = columns[child]
            parts.append(part[part > j])
        rows = np.unique(np.concatenate(parts)) if len(parts) > 1 else np.sort(parts[0])
        columns.append(rows)
        if len(rows):
            parent[j] = rows[0]
            children[int(rows[0])].append(j)
    return columns, parent


def _postorder(parent: Ints) -> Ints:
    n = len(parent)
    children: list[list[int]] = [[] for _ in range(n)]
    roots: list[int] = []
    for j in range(n):
        (roots if parent[j] < 0 else children[int(parent[j])]).append(j)
    post: list[int] = []
    stack = [(root, False) for root in reversed(roots)]
    while stack:
        j, opened = stack.pop()
        if opened:
            post.append(j)
        else:
            stack.append((j, True))
            stack.extend((child, False) for child in reversed(children[j]))
    return np.array(post, dtype=np.int64)


def _supernodes(columns: list[Ints], sizes: Ints) -> tuple[list[list[int]], list[Ints]]:
    """Chains of blocks eliminated together, children before parents, and the blocks below each chain."""
    n = len(columns)
    members: list[list[int]] = []
    below: list[Ints] = []
    for j in range(n):
        if members and members[-1][-1] == j - 1 and len(columns[j - 1]) and columns[j - 1][0] == j:
            last = members[-1]
            s_old, s_new = int(sizes[last].sum()), int(sizes[j])
            m_old = int(sizes[columns[j - 1]].sum()) if len(columns[j - 1]) else 0
            m_new = int(sizes[columns[j]].sum())
            apart, merged = (s_old + m_old) ** 2 + (s_new + m_new) ** 2, (s_old + s_new + m_new) ** 2
            if merged <= (1 + RELAXED) * apart:
                last.append(j)
                below[-1] = columns[j]
                continue
        members.append([j])
        below.append(columns[j])
    return members, below


def _stack(pattern: Csr, first: Ints, order: Ints, members: list[list[int]], below: list[Ints]) -> Plan:
    n_super = len(members)
    owner = np.empty(len(order), dtype=np.int64)
    for k, chain in enumerate(members):
        owner[chain] = k
    spans = [np.arange(first[b], first[b + 1]) for b in order]
    pivots = [np.concatenate([spans[j] for j in chain]) for chain in members]
    rows = [np.concatenate([spans[j] for j in r]) if len(r) else np.zeros(0, dtype=np.int64) for r in below]
    parent = np.array([owner[r[0]] if len(r) else -1 for r in below], dtype=np.int64)
    height = np.zeros(n_super, dtype=np.int64)
    for k in range(n_super):
        if parent[k] >= 0:
            height[parent[k]] = max(height[parent[k]], height[k] + 1)
    shapes = [(int(height[k]), len(pivots[k]), len(rows[k])) for k in range(n_super)]
    groups: dict[tuple[int, int, int], list[int]] = {}
    for k, shape in enumerate(shapes):
        groups.setdefault(shape, []).append(k)
    front_at = np.zeros(n_super, dtype=np.int64)
    update_at = np.zeros(n_super, dtype=np.int64)
    fronts = updates = 0
    for (_, s, m), chain in sorted(groups.items()):
        for k in chain:
            front_at[k], update_at[k] = fronts, updates
            fronts += (s + m) ** 2
            updates += m * m
    n = pattern.shape[0]
    place = np.zeros(n, dtype=np.int64)
    lengths = np.diff(pattern.indptr)
    held = np.full(n, -1, dtype=np.int64)
    source: list[list[Ints]] = [[] for _ in range(n_super)]
    target: list[list[Ints]] = [[] for _ in range(n_super)]
    entries: list[tuple[Ints, Ints, Bools]] = []
    kids: list[list[int]] = [[] for _ in range(n_super)]
    for k in range(n_super):
        if parent[k] >= 0:
            kids[parent[k]].append(k)
    for k in range(n_super):
        whole = np.concatenate([pivots[k], rows[k]])
        width, s = len(whole), len(pivots[k])
        place[whole] = np.arange(width)
        held[whole] = k
        for kid in kids[k]:
            at, m = place[rows[kid]], len(rows[kid])
            source[k].append(update_at[kid] + np.arange(m * m))
            target[k].append((front_at[k] + at[:, None] * width + at[None, :]).ravel())
        begin, count = pattern.indptr[pivots[k]], lengths[pivots[k]]
        pivot = np.repeat(np.arange(s), count)
        entry = np.arange(len(pivot)) + np.repeat(begin - (np.cumsum(count) - count), count)
        column = pattern.indices[entry]
        keep = held[column] == k  # the others were eliminated before
        row = place[column[keep]]
        entries.append((entry[keep], front_at[k] + row * width + pivot[keep], row >= s))
    stacks = tuple(
        Stack(
            np.stack([pivots[k] for k in chain]),
            np.stack([rows[k] for k in chain]),
            int(front_at[chain[0]]),
            int(update_at[chain[0]]),
            _joined([part for k in chain for part in source[k]]),
            _joined([part for k in chain for part in target[k]]),
        )
        for _, chain in sorted(groups.items())
    )
    return Plan(
        pattern,
        stacks,
        fronts,
        updates,
        _joined([e[0] for e in entries]),
        _joined([e[1] for e in entries]),
        np.concatenate([e[2] for e in entries]),
    )


def _joined(parts: list[Ints]) -> Ints:
    return np.concatenate(parts) if parts else np.zeros(0, dtype=np.int64)
