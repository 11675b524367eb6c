"""Prediction-error covariances of queens and the drones they carry, cell by cell, and of single nodes."""

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from typing import Protocol

import numpy as np
from scipy import sparse

from breeding.genetics.absorbed import AbsorbedFit, AbsorbedModel
from breeding.genetics.cells import Batch
from breeding.genetics.types import Csr, Floats, Ints


@dataclass(frozen=True)
class ColonyErrors:
    """Joint errors within each cell, all (n_cells, t E, t E); ``cell`` (n_queens,) is the cell of each queen.

    queen, drones : of the queen and of the drones she carries; cross : of the queen (rows) with the drones.
    """

    cell: Ints
    queen: Floats
    cross: Floats
    drones: Floats

    @cached_property
    def workers(self) -> Floats:
        """Errors of the worker groups, (n_cells, t E, t E)."""
        return np.asarray(0.25 * (self.queen + self.drones + self.cross + np.swapaxes(self.cross, 1, 2)))

    @cached_property
    def queen_workers(self) -> Floats:
        """Joint errors of queens (rows) and their worker groups."""
        return np.asarray(0.5 * (self.queen + self.cross))


@dataclass(frozen=True)
class Deviation:
    """Errors of some cells: those of z and the fixed effects, times S, and of the absorbed terms themselves.

    queen, drones : (n, t E, u). own_queen, own_cross, own_drones : (n, t E, t E).
    """

    queen: Floats
    drones: Floats
    own_queen: Floats
    own_cross: Floats
    own_drones: Floats


def deviation(fit: AbsorbedFit, batch: Batch, number: int, part: slice) -> Deviation:
    """How errors of the unknowns reach the colonies of a batch."""
    q, G = fit.model.columns.q, fit.G
    HQ, HB = fit.model.shown(batch)
    gain_queen, gain_drones = fit.gains(batch, fit.numbers[number], part)
    v, c = batch.v[part, None, None], batch.c[part, None, None]
    made: list[Floats] = []
    for weights, gain in ((batch.queen, gain_queen), (batch.drones, gain_drones)):
        S = -gain @ batch.H[part]
        for e in range(q):
            S[:, e, e : weights.shape[1] * q : q] += weights[part]
        made.append(S)
    own_queen = v * G - gain_queen @ (v * (HQ @ G))
    own_drones = c * G - gain_drones @ (c * (HB @ G))
    return Deviation(made[0], made[1], own_queen, -gain_queen @ (c * (HB @ G)), own_drones)


def exact_errors(fit: AbsorbedFit) -> ColonyErrors:
    """From the exact elements of the inverse."""
    model = fit.model
    n, q = len(model.leaders), model.columns.q
    found = np.empty((3, n, q, q))
    starts = np.cumsum([0, *(batch.n for batch in model.batches)])
    for number, batch, part, at in model.assembly.parts():
        d = deviation(fit, batch, number, part)
        inverse = fit.inverse_data[at]
        QC, BC = d.queen @ inverse, d.drones @ inverse
        here = slice(starts[number] + part.start, starts[number] + min(part.stop, batch.n))
        found[0, here] = QC @ np.swapaxes(d.queen, 1, 2) + d.own_queen
        found[1, here] = QC @ np.swapaxes(d.drones, 1, 2) + d.own_cross
        found[2, here] = BC @ np.swapaxes(d.drones, 1, 2) + d.own_drones
    return ColonyErrors(model.cell_of, found[0], found[1], found[2])


def node_errors(fit: AbsorbedFit, rows: Csr, colonies: ColonyErrors) -> Floats:
    """Error covariances of units made of nodes, (n, t E, t E); rows : CSR (n, n_nodes).

    Notes
    -----
    A single node stands in the pattern or in its colony's errors; any other unit costs t E solutions, exact
    even where the colonies' errors are drawn.
    """
    model = fit.model
    reduction, q = model.reduction, model.columns.q
    n = rows.shape[0]
    found = np.zeros((n, q, q))
    number = np.full(model.table.n_nodes, -1, dtype=np.int64)
    number[reduction.kept] = np.arange(reduction.n_unknown)
    plain = np.ones(reduction.n_unknown, dtype=bool)
    plain[reduction.swapped] = False
    carrier = np.full(model.table.n_nodes + 1, -1, dtype=np.int64)
    alone = np.flatnonzero(reduction.c > 0)
    carrier[reduction.drones_node[alone]] = alone
    plain = np.append(plain, False)
    single = np.flatnonzero(np.diff(rows.indptr) == 1)
    node = rows.indices[rows.indptr[single]]
    weight = rows.data[rows.indptr[single]]
    absorbed = carrier[node] >= 0
    at = single[absorbed]
    found[at] = colonies.drones[colonies.cell[carrier[node[absorbed]]]] * weight[absorbed, None, None] ** 2
    stays = (number[node] >= 0) & plain[number[node]] & (fit.method == "factor")
    at, own = single[stays], number[node[stays]] * q
    offset = np.arange(q)
    both = np.broadcast_arrays(own[:, None, None] + offset[:, None], own[:, None, None] + offset)
    if len(at):
        found[at] = fit.inverse_data[model.assembly.positions(*both)] * weight[stays, None, None] ** 2
    rest = np.setdiff1d(np.flatnonzero(np.diff(rows.indptr) > 0), np.concatenate([single[absorbed], single[stays]]))
    for i in rest.tolist():
        unit = np.zeros((fit.model.n_equations, q))
        z = (rows[[i]][:, reduction.kept] @ reduction.back).tocoo()
        for e in range(q):
            unit[z.col * q + e, e] = z.data
        found[i] = unit.T @ fit.solve_many(unit)
    return found


def joint_errors(fit: AbsorbedFit, means: Csr) -> Floats:
    """Error covariances of weighted sums of queens with each other, (g, t E, g, t E).

    means : CSR (g, n_queens), weights; g t E solutions.
    """
    model, q, g = fit.model, fit.model.columns.q, means.shape[0]
    cells = np.zeros((g, len(model.leaders)))
    coo = means.tocoo()
    np.add.at(cells, (coo.row, model.cell_of[coo.col]), coo.data)
    K = np.zeros((model.n_equations, g, q))
    absorbed = np.empty((len(model.leaders), q, q))
    start = 0
    for number, batch in enumerate(model.batches):
        d = deviation(fit, batch, number, slice(None))
        here = slice(start, start + batch.n)
        absorbed[here] = d.own_queen
        for i in range(g):
            for e in range(q):
                reach = cells[i, here, None] * d.queen[:, e]
                K[:, i, e] += np.bincount(batch.columns.ravel(), weights=reach.ravel(), minlength=len(K))
        start += batch.n
    flat = K.reshape(len(K), g * q)
    V = (flat.T @ fit.solve_many(flat)).reshape(g, q, g, q)
    for i in range(g):
        for j in range(g):
            shared = sparse.csr_array(means[[i]].multiply(means[[j]]))
            V[i, :, j] += np.tensordot(shared.data, absorbed[model.cell_of[shared.indices]], 1)
    return np.asarray(V)


class Drawing(Protocol):
    """Errors of all unknowns, drawn from their joint distribution."""

    def draw(self, rng: np.random.Generator, draws: int) -> Floats: ...


def draw_colonies(
    fit: AbsorbedFit, source: Drawing, queens: Ints, rng: np.random.Generator, draws: int
) -> tuple[Floats, Floats]:
    """Joint draws of the errors of queens and of the drones they carry, both (n, t E, draws)."""
    model, q = fit.model, fit.model.columns.q
    errors = source.draw(rng, draws)
    found = np.empty((2, len(queens), q, draws))
    for number, batch, cells, at in _cells_of(model, queens):
        d = deviation(fit, batch, number, slice(None)) if len(cells) * 4 > batch.n else None
        for i, cell in zip(at.tolist(), cells.tolist(), strict=True):
            one = d or deviation(fit, batch, number, slice(cell, cell + 1))
            k = cell if d is not None else 0
            x = errors[batch.columns[cell]]
            cov = np.block([[one.own_queen[k], one.own_cross[k]], [one.own_cross[k].T, one.own_drones[k]]])
            noise = _root(cov) @ rng.standard_normal((2 * q, draws))
            found[0, i] = one.queen[k] @ x + noise[:q]
            found[1, i] = one.drones[k] @ x + noise[q:]
    return found[0], found[1]


def _cells_of(model: AbsorbedModel, queens: Ints) -> Iterator[tuple[int, Batch, Ints, Ints]]:
    """Per batch the cells (within it) of the queens that stand there, and their rows."""
    cell = model.cell_of[queens]
    start = 0
    for number, batch in enumerate(model.batches):
        at = np.flatnonzero((cell >= start) & (cell < start + batch.n))
        if len(at):
            yield number, batch, cell[at] - start, at
        start += batch.n


def _root(K: Floats) -> Floats:
    """Any root of a covariance matrix, singular ones included."""
    values, vectors = np.linalg.eigh(K)
    return np.asarray(vectors * np.sqrt(np.maximum(values, 0.0)))
