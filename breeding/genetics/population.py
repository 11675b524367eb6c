"""The population by its pedigree: how complete it is, whose genes are left, how fast coancestry rises.

All figures come from sweeps over the pedigree's arrays or from the sparse form of the relationship matrix; none needs
the matrix itself. Coancestry f is half the relationship a, so a queen with herself has (1 + F)/2.
"""

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import sparse

from breeding.genetics.entities import DRONE, OPEN, QUEEN, SISTERS, VERY_MANY, Layout
from breeding.genetics.nodes import NodeTable
from breeding.genetics.relationship import ancestors_only
from breeding.genetics.tracing import MAX_ELEMENTS
from breeding.genetics.types import Bools, Csr, Floats, InputError, Ints

DEPTH = 6  # generations back of which completeness is told
MOST_ANCESTORS = 300  # ancestors looked for one by one


@dataclass(frozen=True)
class Cohort:
    """Queens born in one year. ``coancestry``: mean between two different ones, NaN for a single queen [-]."""

    year: int
    queens: int
    inbreeding: float
    coancestry: float
    known_generations: float


@dataclass(frozen=True)
class Founders:
    """Whose genes the reference queens carry.

    ``founders``: effective number of founders, 1 / sum q^2 over the expected shares q of their genes.
    ``ancestors``: effective number of ancestors, the same over shares not explained by ancestors already named, so
    that bottlenecks count. ``genomes``: founder genome equivalents, 1 / (2 mean coancestry), which counts what
    chance lost as well. ``main``: the named ancestors with their shares, largest first. ``explained``: sum of all
    shares found; what is missing is spread over so many that it adds nothing. Any number may be inf. [-]
    """

    founders: float
    ancestors: float
    genomes: float
    main: tuple[tuple[str, float], ...]
    explained: float


@dataclass(frozen=True)
class EffectiveSize:
    """``size`` and ``se`` in queens, None where the rate is not above 0; ``rate`` per generation [-]."""

    method: str
    size: float | None
    se: float | None
    rate: float
    used: int


def cohorts_by_year(table: NodeTable, years: Sequence[int | None], known_generations: Floats) -> list[Cohort]:
    """Mean inbreeding and coancestry of the queens of each birth year, oldest first.

    Parameters
    ----------
    years : birth year of each queen, (n_queens,); None where not known (she counts nowhere).
    known_generations : (n_queens,), of ``relationship.known_generations``.

    Notes
    -----
    Mean coancestry including self is 1/2 x'A x with x = 1/n on the cohort: one trace a year, linear in the pedigree.
    """
    born = _years(table, years)
    found = np.unique(born[~np.isnan(born)]).astype(int)
    members = [np.flatnonzero(born == year) for year in found]
    with_self = mean_coancestries(table, members)
    made: list[Cohort] = []
    for year, queens, f in zip(found.tolist(), members, with_self, strict=True):
        n, F = len(queens), table.F[queens]
        own = 0.5 * float((1.0 + F).sum())
        between = (n * n * f - own) / (n * (n - 1)) if n > 1 else float("nan")
        between = between if n == 1 else max(0.0, between)  # rounding
        made.append(Cohort(year, n, float(F.mean()), between, float(known_generations[queens].mean())))
    return made


def mean_coancestries(table: NodeTable, groups: Sequence[Ints]) -> Floats:
    """Mean coancestry within each group of queens, each with herself included, (n_groups,)."""
    if not groups:
        return np.zeros(0)
    sizes = [len(group) for group in groups]
    rows = np.repeat(np.arange(len(groups)), sizes)
    weights = np.repeat([1.0 / n for n in sizes], sizes)
    choose = sparse.csr_array((weights, (rows, np.concatenate(groups))), shape=(len(groups), table.expression.shape[0]))
    tracer, units = ancestors_only(table, sparse.csr_array(choose @ table.expression))
    D, made = tracer.variances(), np.empty(len(groups))
    step = max(1, MAX_ELEMENTS // max(1, tracer.size))
    for start in range(0, len(groups), step):
        traced = tracer.trace(units[start : start + step])
        made[start : start + step] = 0.5 * np.einsum("ij,ij,i->j", traced, traced, D)
    return made


def mean_coancestry_between(table: NodeTable, queens: Ints) -> float:
    """Mean coancestry of two different queens of a group; NaN with fewer than two."""
    n = len(queens)
    if n < 2:
        return float("nan")
    with_self = float(mean_coancestries(table, [queens])[0])
    return max(0.0, (n * n * with_self - 0.5 * float((1.0 + table.F[queens]).sum())) / (n * (n - 1)))


def completeness(table: NodeTable, queens: Ints, *, depth: int = DEPTH) -> Floats:
    """Mean share of ancestors that are known 1, 2, ... generations back, (depth,).

    Notes
    -----
    The mother's side counts 1/2, the drones' side 1/2 shared by their mothers; unrecorded sisters of a known mother
    count as one known queen, unknown drones as nothing. Summed over all generations this is the number of
    equivalent complete generations of ``relationship.known_generations``.

    References
    ----------
    MacCluer et al. (1983), J Hered 74:394 (share of known ancestors by generation; not read again).
    """
    plan = table.layout
    parents = _parent_matrix(plan)
    landed = (plan.kind == QUEEN) | ((plan.kind == SISTERS) & (plan.dam >= 0))
    mass = np.zeros(len(plan.kind))
    mass[queens] = 1.0 / max(1, len(queens))
    made = np.zeros(depth)
    for generation in range(depth):
        at_queens, moving = np.zeros(len(mass)), mass
        while moving.any():  # through drone sets and drones to the next queens
            moving = moving @ parents
            at_queens += np.where(landed, moving, 0.0)
            moving = np.where(landed, 0.0, moving)
        made[generation] = at_queens.sum()
        mass = at_queens
    return made


def founders(table: NodeTable, queens: Ints, *, most: int = MOST_ANCESTORS) -> Founders:
    """Effective numbers of founders, ancestors and founder genomes behind some queens.

    Parameters
    ----------
    queens : reference queens, rows of the table.

    Notes
    -----
    A founder is whoever has no known parents: a queen, a drone, each drone of an open mating, each unrecorded sister
    without a known mother. The drones of a queen mated in the open with very many are infinitely many founders.
    Ancestors are queens, single drones and founders, found one by one: each round costs two sweeps.

    References
    ----------
    Lacy (1989), 10.1002/zoo.1430080203; Boichard, Maignel & Verrier (1997), 10.1051/gse:19970101.
    """
    if not len(queens):
        raise InputError("queens", "needs at least one queen")
    plan = table.layout
    start = np.zeros(len(plan.kind))
    start[queens] = 1.0 / len(queens)
    sweep = _Sweep(plan, _behind(plan, queens))
    size = np.where((plan.kind == OPEN) | (plan.kind == SISTERS), plan.count, 1).astype(float)
    size[(size == VERY_MANY) & (plan.kind == OPEN)] = np.inf
    is_founder = np.diff(plan.parents.start) == 0
    shares = sweep.contributions(start, np.zeros(len(start), dtype=bool))
    squares = float((shares[is_founder] ** 2 / size[is_founder]).sum())
    main, explained = _ancestors(plan, sweep, start, is_founder, size, most)
    squares_ancestors = sum(share * share / n for _, share, n in main)
    a = 2.0 * float(mean_coancestries(table, [queens])[0])
    named = tuple((plan.entities[i].name, share) for i, share, _ in main)
    return Founders(_inverse(squares), _inverse(squares_ancestors), _inverse(a), named, explained)


def effective_size_by_inbreeding(F: Floats, known_generations: Floats) -> EffectiveSize:
    """Effective size from each queen's own increase in inbreeding.

    Parameters
    ----------
    F, known_generations : of the reference queens, (n,); those with one known generation or less cannot be inbred
        by what is known and take no part.

    Notes
    -----
    dF_i = 1 - (1 - F_i)^(1 / (t_i - 1)) with t_i equivalent complete generations; Ne = 1 / (2 mean dF), its error
    2 Ne^2 sd(dF) / sqrt(n) by the delta method.

    References
    ----------
    Gutierrez et al. (2008), 10.1186/1297-9686-40-4-359; exponent t - 1: Gutierrez, Cervantes &
    Goyache (2009), J Anim Breed Genet 126:327 (not read again).
    """
    usable = known_generations > 1.0
    F, t = F[usable], known_generations[usable]
    if not len(F):
        return EffectiveSize("inbreeding", None, None, 0.0, 0)
    increase = 1.0 - (1.0 - np.minimum(F, 1.0 - 1e-12)) ** (1.0 / (t - 1.0))
    rate = float(increase.mean())
    if rate <= 0:
        return EffectiveSize("inbreeding", None, None, rate, len(F))
    size = 1.0 / (2.0 * rate)
    se = 2.0 * size**2 * float(increase.std(ddof=1)) / np.sqrt(len(F)) if len(F) > 1 else None
    return EffectiveSize("inbreeding", size, se, rate, len(F))


def effective_size_by_coancestry(cohorts: Sequence[Cohort], interval: float) -> EffectiveSize:
    """Effective size from the rise of the mean coancestry from birth year to birth year.

    Parameters
    ----------
    cohorts : of ``cohorts_by_year``; years with one queen take no part.
    interval : generation interval [years].

    Notes
    -----
    The slope of ln(1 - f) on the birth year times the interval is the rate per generation; Ne = 1 / (2 rate), its
    error by the delta method from that of the slope. Each year counts alike.

    References
    ----------
    Leroy et al. (2013), 10.1186/1297-9686-45-1 (comparison of the methods).
    """
    used = [cohort for cohort in cohorts if cohort.coancestry == cohort.coancestry and cohort.coancestry < 1]
    if len(used) < 2 or not interval > 0:
        return EffectiveSize("coancestry", None, None, 0.0, len(used))
    x = np.array([cohort.year for cohort in used], dtype=float)
    y = np.log(1.0 - np.array([cohort.coancestry for cohort in used]))
    centred = x - x.mean()
    slope = float(centred @ y) / float(centred @ centred)
    rate = 1.0 - float(np.exp(slope * interval))
    if rate <= 0:
        return EffectiveSize("coancestry", None, None, rate, len(used))
    size, se = 1.0 / (2.0 * rate), None
    if len(used) > 2:
        left = y - y.mean() - slope * centred
        slope_se = float(np.sqrt(left @ left / (len(used) - 2) / (centred @ centred)))
        se = 2.0 * size**2 * interval * (1.0 - rate) * slope_se
    return EffectiveSize("coancestry", size, se, rate, len(used))


def generation_intervals(table: NodeTable, years: Sequence[int | None]) -> tuple[float, float]:
    """Mean age of mothers, and of the mothers of drones, when their (grand)daughters were born [years].

    Drones' mothers weigh by their share in the mating. NaN where no pair of years is known.
    """
    plan, born = table.layout, _years(table, years)
    raised = np.flatnonzero((plan.kind[: plan.n_queens] == QUEEN) & (plan.dam[: plan.n_queens] >= 0))
    dams = plan.dam[raised]
    ages = born[raised] - born[dams]
    mothers = float(np.nanmean(ages)) if (~np.isnan(ages)).any() else float("nan")
    parents = _parent_matrix(plan)
    sets = plan.set_of[dams]
    choose = sparse.csr_array((np.ones(len(sets)), (np.arange(len(sets)), sets)), shape=(len(sets), len(plan.kind)))
    sources = sparse.coo_array(choose @ parents)
    at_queen = sources.col < plan.n_queens
    age = born[raised[sources.row[at_queen]]] - born[sources.col[at_queen]]
    weight = np.where(np.isnan(age), 0.0, sources.data[at_queen])
    drones = float((weight * np.nan_to_num(age)).sum() / weight.sum()) if weight.sum() > 0 else float("nan")
    return mothers, drones


class _Sweep:
    """Up and down the pedigree behind some queens, level by level."""

    def __init__(self, plan: Layout, within: Bools) -> None:
        child = np.repeat(np.arange(len(plan.kind)), np.diff(plan.parents.start))
        keep = within[child]
        child, parent, weight = child[keep], plan.parents.index[keep], plan.parents.weight[keep]
        order = np.argsort(plan.level[child], kind="stable")
        child, parent, weight = child[order], parent[order], weight[order]
        edges = np.flatnonzero(np.diff(plan.level[child])) + 1
        bounds = [0, *edges.tolist(), len(child)]
        self.levels = [(child[a:b], parent[a:b], weight[a:b]) for a, b in itertools.pairwise(bounds) if b > a]
        self.n = len(plan.kind)

    def contributions(self, start: Floats, cut: Bools) -> Floats:
        """Expected share of each entity in the genes of the reference; parents of ``cut`` ones get nothing."""
        made = start.copy()
        for child, parent, weight in reversed(self.levels):
            made += np.bincount(parent, np.where(cut[child], 0.0, made[child]) * weight, minlength=self.n)
        return made

    def explained(self, chosen: Bools) -> Floats:
        """Share of each entity's genes that comes from chosen ancestors (of a chosen one itself: its parents')."""
        above = np.zeros(self.n)
        for child, parent, weight in self.levels:
            above += np.bincount(child, np.where(chosen[parent], 1.0, above[parent]) * weight, minlength=self.n)
        return above


def _ancestors(
    plan: Layout, sweep: _Sweep, start: Floats, is_founder: Bools, size: Floats, most: int
) -> tuple[list[tuple[int, float, float]], float]:
    """(entity, share, individuals it stands for) of the main ancestors, largest first, and the sum of the shares."""
    # The reference queens themselves explain nothing, their parents do; who has none stands for herself.
    may_be = is_founder | ((start == 0) & ((plan.kind == QUEEN) | (plan.kind == DRONE)))
    chosen = np.zeros(len(start), dtype=bool)
    made: list[tuple[int, float, float]] = []
    whole = 0.0
    while len(made) < most and whole < 1 - 1e-9:
        # A chosen ancestor passes nothing up: its parents' genes are explained already.
        shares = sweep.contributions(start, chosen) * (1.0 - sweep.explained(chosen))
        shares = np.where(may_be & ~chosen, shares, 0.0)
        best = int(np.argmax(shares / size))
        if shares[best] / size[best] <= 0:
            break
        chosen[best] = True
        made.append((best, float(shares[best]), float(size[best])))
        whole += float(shares[best])
    return made, whole


def _behind(plan: Layout, queens: Ints) -> Bools:
    seen = np.zeros(len(plan.kind), dtype=bool)
    open_ = np.unique(queens)
    while len(open_):
        seen[open_] = True
        _, parents, _ = plan.parents.of(open_)
        parents = np.unique(parents)
        open_ = parents[~seen[parents]]
    return seen


def _parent_matrix(plan: Layout) -> Csr:
    n = len(plan.kind)
    return sparse.csr_array((plan.parents.weight, plan.parents.index, plan.parents.start), shape=(n, n))


def _years(table: NodeTable, years: Sequence[int | None]) -> Floats:
    if len(years) != table.layout.n_queens:
        raise InputError("years", f"needs {table.layout.n_queens} entries, not {len(years)}")
    return np.array([np.nan if year is None else year for year in years], dtype=float)


def _inverse(value: float) -> float:
    return 1.0 / value if value > 0 else float("inf")
