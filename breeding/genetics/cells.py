"""Colonies whose records say the same about the unknowns, gathered into cells, and cells of one shape into batches.

Sisters with the same sources in the same contemporary group differ in their results alone: their normal
equations, gains and errors are worked out once. Every queen stands in exactly one cell, recorded or not.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

import numpy as np
from scipy import sparse

from breeding.genetics.absorption import Reduction
from breeding.genetics.entities import spread
from breeding.genetics.grouping import codes_of, joint_codes, row_codes
from breeding.genetics.types import Csr, Floats, Ints


@dataclass(frozen=True)
class ColonyData:
    """Records of colonies in arrays.

    queens : (n_records,). Queen whose workers were tested.
    y : (n_records, t), NaN where a trait was not recorded; every record holds at least one.
    fixed : CSR (n_records, p). Fixed columns; ``columns`` says per trait which of them have an unknown.
    effects : which genetic effects a record shows: 0 worker group, 1 queen.
    permanent : whether repeated records of a colony share a non-genetic effect.
    random : per non-genetic random factor its name, the level of each record (-1 none) and their number.
    """

    queens: Ints
    y: Floats
    fixed: Csr
    columns: tuple[Ints, ...]
    effects: tuple[int, ...] = (0, 1)
    permanent: bool = False
    random: tuple[tuple[str, Ints, int], ...] = ()

    @property
    def n_traits(self) -> int:
        return int(self.y.shape[1])


@dataclass(frozen=True)
class Columns:
    """Where the unknowns stand: z by effect (trait-major), random factors by level and trait, fixed by trait."""

    n_unknown: int
    q: int
    random: tuple[tuple[int, int], ...]  # start, number of levels
    fixed: tuple[tuple[int, int], ...]  # start, number of columns
    total: int

    @classmethod
    def of(cls, n_unknown: int, data: ColonyData) -> "Columns":
        t = data.n_traits
        q = t * len(data.effects)
        at = n_unknown * q
        random: list[tuple[int, int]] = []
        for _, _, levels in data.random:
            random.append((at, levels))
            at += levels * t
        fixed: list[tuple[int, int]] = []
        for chosen in data.columns:
            fixed.append((at, len(chosen)))
            at += len(chosen)
        return cls(n_unknown, q, tuple(random), tuple(fixed), at)

    @property
    def n_fixed(self) -> int:
        return sum(n for _, n in self.fixed)


@dataclass(frozen=True)
class Batch:
    """n cells of one shape: k observations per colony over u unknowns, of which s levels of z.

    traits, record : (k,). Trait of each observation, and which of the colony's records it belongs to.
    columns : (n, u). Unknowns that a cell touches; H : (n, k, u). Observations by them.
    queen, drones : (n, s). Weights of the s levels in the queen and in the drones she carries.
    v, c : (n,). Mendelian variances that left the equations.
    members, member_cell : (colonies,). Queens of the cells and their cell; y : (colonies, k).
    weight : (n,). Colonies per cell; mean : (n, k); scatter : (n, k, k). Sum of squares around the mean.
    """

    traits: Ints
    record: Ints
    columns: Ints
    H: Floats
    queen: Floats
    drones: Floats
    v: Floats
    c: Floats
    members: Ints
    member_cell: Ints
    y: Floats
    weight: Floats
    mean: Floats
    scatter: Floats = field(repr=False)

    @property
    def n(self) -> int:
        return len(self.columns)

    @property
    def k(self) -> int:
        return len(self.traits)

    def chunks(self, elements: int) -> Iterator[slice]:
        """Parts of the cells of about so many elements each."""
        step = max(1, elements // max(1, self.columns.shape[1] ** 2))
        return (slice(start, start + step) for start in range(0, self.n, step))


def gather_cells(reduction: Reduction, data: ColonyData, columns: Columns) -> list[Batch]:
    """All queens in batches of cells."""
    n_queens = len(reduction.v)
    order = np.argsort(data.queens, kind="stable")
    counts = np.bincount(data.queens, minlength=n_queens)
    start = np.concatenate([[0], np.cumsum(counts)])
    seen = np.isfinite(data.y)
    pattern = codes_of(seen @ (1 << np.arange(data.n_traits)))
    selected = [data.fixed[:, chosen].tocsr() for chosen in data.columns]
    for chosen in selected:
        chosen.sort_indices()
    shape = joint_codes(
        pattern, *(np.diff(X.indptr) for X in selected), *((f >= 0).astype(int) for _, f, _ in data.random)
    )
    fixed = data.fixed.tocsr()
    fixed.eliminate_zeros()
    fixed.sort_indices()
    record = joint_codes(shape, row_codes(fixed), *(level + 1 for _, level, _ in data.random))
    key = joint_codes(
        row_codes(reduction.queens), row_codes(reduction.drones), codes_of(reduction.v), codes_of(reduction.c), counts
    )
    for r in range(int(counts.max(initial=0))):
        own = np.zeros(n_queens, dtype=np.int64)
        has = np.flatnonzero(counts > r)
        own[has] = record[order[start[has] + r]] + 1
        key = joint_codes(key, own)
    _, first, cell = np.unique(key, return_index=True, return_inverse=True)
    support = sparse.csr_array(reduction.queens[first] + 1j * reduction.drones[first])
    support.sort_indices()
    form = joint_codes(counts[first], np.diff(support.indptr))
    for r in range(int(counts.max(initial=0))):
        own = np.zeros(len(first), dtype=np.int64)
        has = np.flatnonzero(counts[first] > r)
        own[has] = shape[order[start[first[has]] + r]] + 1
        form = joint_codes(form, own)
    by_form = np.argsort(form, kind="stable")
    edges = np.searchsorted(form[by_form], np.arange(int(form.max(initial=-1)) + 2))
    by_cell = np.argsort(cell, kind="stable")
    cell_start = np.searchsorted(cell[by_cell], np.arange(len(first) + 1))
    made: list[Batch] = []
    for f in range(len(edges) - 1):
        cells = by_form[edges[f] : edges[f + 1]]
        at, which = spread(cell_start, cells)
        members = by_cell[at]
        records = order[start[members][:, None] + np.arange(counts[first[cells[0]]])]
        made.append(
            _batch(reduction, data, columns, selected, seen, support[cells], first[cells], members, which, records)
        )
    return made


def _batch(
    reduction: Reduction,
    data: ColonyData,
    columns: Columns,
    selected: Sequence[Csr],
    seen: "np.ndarray[tuple[int, int], np.dtype[np.bool_]]",
    support: Csr,
    first: Ints,
    members: Ints,
    which: Ints,
    records: Ints,
) -> Batch:
    """One batch; ``records`` (colonies, r) are the records of each member."""
    n, t, q = len(first), data.n_traits, columns.q
    leader = np.searchsorted(which, np.arange(n))  # the first member stands for its cell
    traits: list[int] = []
    record: list[int] = []
    for r in range(records.shape[1]):
        own = np.flatnonzero(seen[records[0, r]]).tolist()
        traits += own
        record += [r] * len(own)
    k = len(traits)
    s = support.indptr[1] if n else 0
    nodes = support.indices.reshape(n, s).astype(np.int64)
    weights = support.data.reshape(n, s)
    queen, drones = np.ascontiguousarray(weights.real), np.ascontiguousarray(weights.imag)
    shown = {0: 0.5 * (queen + drones), 1: queen}
    E = len(data.effects)
    own_columns = [(nodes[:, :, None] * q + np.arange(q)).reshape(n, s * q)]
    own_H: list[tuple[int, Floats]] = []  # further columns: (observation, values (n, number))
    for j in range(k):
        rows = records[leader, record[j]]
        X = selected[traits[j]][rows]
        f = X.indptr[1] if n else 0
        own_columns.append(X.indices.reshape(n, f) + columns.fixed[traits[j]][0])
        own_H.append((j, X.data.reshape(n, f)))
        for (at, _), (_, level, _) in zip(columns.random, data.random, strict=True):
            if n and level[rows[0]] >= 0:
                own_columns.append((at + level[rows] * t + traits[j])[:, None])
                own_H.append((j, np.ones((n, 1))))
    touched = np.concatenate(own_columns, axis=1)
    H = np.zeros((n, k, touched.shape[1]))
    for j in range(k):
        for e, effect in enumerate(data.effects):
            H[:, j, traits[j] * E + e : s * q : q] = shown[effect]
    at = s * q
    for j, values in own_H:
        H[:, j, at : at + values.shape[1]] = values
        at += values.shape[1]
    y = data.y[records[:, record], np.array(traits, dtype=np.int64)] if k else np.zeros((len(members), 0))
    weight = np.bincount(which, minlength=n).astype(float)
    mean = np.stack([np.bincount(which, weights=y[:, j], minlength=n) for j in range(k)], axis=1) if k else y[leader]
    mean = mean / weight[:, None]
    around = y - mean[which]
    scatter = np.zeros((n, k, k))
    for a in range(k):
        for b in range(a + 1):
            scatter[:, a, b] = scatter[:, b, a] = np.bincount(which, weights=around[:, a] * around[:, b], minlength=n)
    return Batch(
        traits=np.array(traits, dtype=np.int64),
        record=np.array(record, dtype=np.int64),
        columns=touched,
        H=H,
        queen=queen,
        drones=drones,
        v=reduction.v[first],
        c=reduction.c[first],
        members=members,
        member_cell=which,
        y=y,
        weight=weight,
        mean=mean,
        scatter=scatter,
    )
