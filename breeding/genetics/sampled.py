"""Errors where the factor would be too large: drawn from their joint distribution, with the error of the drawing said.

Solving C e = b for b from N(0, C) draws e from N(0, C^-1). Around each cell the variance given all other unknowns
is exact, and only the variance of the conditional mean is left to the draws.

References
----------
Sidén, Lindgren, Bolin & Villani (2018), 10.1080/10618600.2018.1482782 (Rao-Blackwellised drawing of variances);
García-Cortés, Moreno, Varona & Altarriba (1992), 10.1186/1297-9686-24-6-525 (error variances by sampling).
"""

from dataclasses import dataclass

import numpy as np

from breeding.genetics.absorbed import AbsorbedFit
from breeding.genetics.colony_errors import ColonyErrors, Drawing, deviation
from breeding.genetics.iterative import TOGETHER, PriorRoots, conjugate_gradients
from breeding.genetics.types import Floats, Ints

# Relative residual of a draw: its error is far below that of the number of draws.
ENOUGH = 1e-4
# Draws go on until the expected error of a reliability is below this, or there are so many.
GOOD_ENOUGH, MOST_SAMPLES = 0.03, 192
# Equations times effects up to which the equations around each cell are assembled.
LARGEST_LOCAL = 2_000_000


@dataclass(frozen=True)
class SampledErrors:
    """Errors of ``samples`` draws; ``rmse`` is the expected error of a queen's reliability, worst trait."""

    errors: ColonyErrors
    samples: int
    rmse: float


class Sampler:
    """Draws from N(0, C^-1) by solving."""

    def __init__(self, fit: AbsorbedFit, *, tolerance: float = ENOUGH) -> None:
        self.fit = fit
        self.tolerance = tolerance
        reduction = fit.model.reduction
        self.roots = PriorRoots(reduction.P.T.tocsr(), reduction.D)

    def draw(self, rng: np.random.Generator, draws: int) -> Floats:
        """Independent draws, (n_equations, draws)."""
        parts = [self.with_noise(rng, min(TOGETHER, draws - at))[0] for at in range(0, draws, TOGETHER)]
        return np.concatenate(parts, axis=1)

    def with_noise(self, rng: np.random.Generator, draws: int) -> tuple[Floats, Floats]:
        """Draws e, and the right sides C e they were solved for, both (n_equations, draws)."""
        fit = self.fit
        noise = fit.operator.rhs_noise(rng, self.roots, draws)
        return conjugate_gradients(fit.operator, fit.preconditioner, noise, tolerance=self.tolerance).x, noise


def drawing_of(fit: AbsorbedFit) -> Drawing:
    """Where draws of the errors come from: the factor, or the sampler where there is none."""
    return fit.factor if fit.method == "factor" else Sampler(fit)


@dataclass(frozen=True)
class _Local:
    """Cells ``part`` of a batch: deviations S and S C_UU^-1, both (n, 2 t E, u) in single precision."""

    batch: int
    part: slice
    here: slice
    S: Floats
    own: Floats


def sampled_errors(fit: AbsorbedFit, rng: np.random.Generator, *, samples: int | None = None) -> SampledErrors:
    """Error covariances around each queen from draws; without a number, until they are good enough.

    Notes
    -----
    For the unknowns U of a cell, Var(e_U) = C_UU^-1 + Var(e_U - C_UU^-1 (C e)_U). The variance of a variance of n
    normal draws is 2/n of its square, which gives ``rmse``.
    """
    model, q = fit.model, fit.model.columns.q
    V = np.zeros((len(model.leaders), 2 * q, 2 * q))
    around = [_local(fit, number, part, V) for number, part in _parts(fit)]
    moved = np.zeros_like(V)
    sampler = Sampler(fit)
    done, wanted, rmse = 0, samples or MOST_SAMPLES, np.inf
    while done < wanted and (samples or rmse > GOOD_ENOUGH):
        draws = min(TOGETHER, wanted - done)
        e, b = sampler.with_noise(rng, draws)
        for local in around:
            columns = model.batches[local.batch].columns[local.part]
            m = local.S @ e[columns] - local.own @ b[columns]
            moved[local.here] += m @ np.swapaxes(m, 1, 2)
        done += draws
        rmse = _rmse(fit, moved[:, :q, :q] / done, done)
    V += moved / done
    errors = ColonyErrors(model.cell_of, V[:, :q, :q], V[:, :q, q:], V[:, q:, q:])
    return SampledErrors(errors, done, rmse)


def _parts(fit: AbsorbedFit) -> "list[tuple[int, slice]]":
    return [(number, part) for number, batch in enumerate(fit.model.batches) for part in batch.chunks(1_000_000)]


def _local(fit: AbsorbedFit, number: int, part: slice, V: Floats) -> _Local:
    """Exact part of some cells, added to V, and what their draws need."""
    model, q = fit.model, fit.model.columns.q
    batch = model.batches[number]
    d = deviation(fit, batch, number, part)
    S = np.concatenate([d.queen, d.drones], axis=1)
    start = sum(b.n for b in model.batches[:number])
    here = slice(start + part.start, start + min(part.stop, batch.n))
    V[here] = np.block([[d.own_queen, d.own_cross], [np.swapaxes(d.own_cross, 1, 2), d.own_drones]])
    own = np.zeros_like(S)
    if model.n_equations * q <= LARGEST_LOCAL and S.shape[2]:
        columns = batch.columns[part]
        at = model.assembly.positions(*np.broadcast_arrays(columns[:, :, None], columns[:, None, :]))
        S, inside = _merged(S, columns, fit.C.data[at])
        own = S @ np.linalg.inv(inside)
        V[here] += own @ np.swapaxes(S, 1, 2)
    return _Local(number, part, here, S.astype(np.float32), own.astype(np.float32))


def _merged(S: Floats, columns: Ints, inside: Floats) -> tuple[Floats, Floats]:
    """An unknown that two records of a colony share counts once."""
    first = np.argmax(columns[:, :, None] == columns[:, None, :], axis=2)
    u = columns.shape[1]
    again = first != np.arange(u)
    if not again.any():
        return S, inside
    S = S @ (first[:, :, None] == np.arange(u))
    apart = np.where(again[:, :, None] | again[:, None, :], 0.0, inside)
    return S, apart + again[:, :, None] * np.eye(u)


def _rmse(fit: AbsorbedFit, moved: Floats, samples: int) -> float:
    weight = np.bincount(fit.model.cell_of, minlength=len(moved))
    E = len(fit.model.data.effects)
    worst = 0.0
    for trait in range(fit.model.n_traits):
        own = slice(trait * E, (trait + 1) * E)
        share = moved[:, own, own].sum(axis=(1, 2)) / fit.G[own, own].sum()
        worst = max(worst, float(np.sqrt(2.0 / samples * np.average(share**2, weights=weight))))
    return worst
