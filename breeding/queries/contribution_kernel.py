"""Contributions in numbers: the pedigree behind the candidates, the optimum, whole queens, mothers met with sources."""

from collections.abc import Collection, Mapping, Sequence
from functools import lru_cache

import numpy as np
from django.utils.formats import number_format
from django.utils.translation import gettext as _

from accounts.refusals import Refusal
from breeding.genetics.allocation import allocate, counts_of
from breeding.genetics.contributions import ContributionCurve, Contributions, optimum_contributions, outcome_of
from breeding.genetics.nodes import NodeTable, build_nodes
from breeding.genetics.population import mean_coancestry_between
from breeding.genetics.relationship import relationship_matrix
from breeding.genetics.types import Floats
from breeding.models import EvaluationRun
from breeding.queries.contributions import Allocated, Candidate, Pair, Plan, Use, Wish
from breeding.queries.crosses import CrossGrid, cross_grid
from breeding.queries.kinship import Kinship, KinshipUse, ceiling_after
from breeding.queries.pedigree import PedigreeRows, pedigree_from, rows_behind

CURVE_POINTS = 9
MOST_BUILT = 16  # pedigrees behind the candidates of a season
# Shares below this are the solver's way of saying none.
UNUSED = 1e-6
_Asked = tuple[frozenset[tuple[int, float]], frozenset[tuple[int, float]]]  # a use, that can be looked up


def plan(run: EvaluationRun, mothers: Sequence[Candidate], sources: Sequence[Candidate], wish: Wish) -> Plan:
    """See `contributions.contribution_plan`."""
    _check(len(mothers), len(sources), wish)
    table = _table({c.queen.pk for c in mothers}, {c.queen.pk for c in sources})
    dams = {str(c.queen.pk): c.merit for c in mothers}
    drones = {str(c.queen.pk): c.merit for c in sources}
    # Named for each path: a queen may be on both, with another limit on each.
    cap = {f"W:{pk}": (wish.mother_most or wish.queens) / wish.queens for pk in dams}
    cap |= dict.fromkeys(drones, (wish.source_most or wish.queens) / wish.queens)
    both = np.array([table.layout.index[pk] for pk in {**dams, **drones}], dtype=np.int64)
    now = mean_coancestry_between(table, both)
    known = None if np.isnan(now) else now
    target = wish.ceiling if wish.ceiling is not None else ceiling_after(known or 0.0, wish.rate)
    curve = _curve(table, dams, drones, cap)
    smallest = (wish.mother_least / wish.queens, wish.source_least / wish.queens)
    [found] = optimum_contributions(
        table, dams, drones, [target], cap=cap, smallest_use=smallest if max(smallest) * wish.queens > 1 else (0, 0)
    ).solutions
    equal = outcome_of(table, dams, drones, dict.fromkeys(dams, 1.0), dict.fromkeys(drones, 1.0))
    usable = found.status == "optimal"
    used_mothers = _uses(mothers, found.dam_path, wish.queens, wish.mother_most) if usable else []
    used_sources = _uses(sources, found.drone_path, wish.queens, wish.source_most) if usable else []
    whole = None
    if usable:
        whole = outcome_of(table, dams, drones, _numbers(used_mothers), _numbers(used_sources))
    return Plan(
        status=found.status,
        message=_message(found, curve),
        target=target,
        now=known,
        least=curve.min_coancestry,
        gain=found.gain,
        coancestry=found.coancestry,
        gain_lost=found.gain_lost,
        curve=[(s.coancestry, s.gain) for s in (curve.least, *curve.solutions) if s.status == "optimal"],
        equal=(equal[1], equal[0]),
        mothers=used_mothers,
        sources=used_sources,
        whole=None if whole is None else (whole[1], whole[0]),
        allocated=_allocated(used_mothers, used_sources, run, wish) if usable else None,
        candidates=(len(mothers), len(sources)),
    )


def _numbers(uses: Sequence[Use]) -> dict[str, float]:
    return {str(use.candidate.queen.pk): float(use.number) for use in uses}


def _check(n_mothers: int, n_sources: int, wish: Wish) -> None:
    for most, number, name, field in (
        (wish.mother_most, n_mothers, _("mothers"), "mother_most"),
        (wish.source_most, n_sources, _("sources"), "source_most"),
    ):
        if most is not None and most * number < wish.queens:
            raise Refusal(
                _("%(number)s %(name)s with at most %(most)s each give %(room)s of %(queens)s queens. Allow more.")
                % {"number": number, "name": name, "most": most, "room": most * number, "queens": wish.queens},
                field=field,
                rule="room",
            )
    for most, least, field in (
        (wish.mother_most, wish.mother_least, "mother_least"),
        (wish.source_most, wish.source_least, "source_least"),
    ):
        if most is not None and least > most:
            raise Refusal(
                _("At least %(least)s and at most %(most)s cannot both hold.") % {"least": least, "most": most},
                field=field,
                rule="bounds",
            )
        if least > wish.queens:
            raise Refusal(
                _("At least %(least)s of %(queens)s queens in all cannot be.")
                % {"least": least, "queens": wish.queens},
                field=field,
                rule="bounds",
            )


def kinship(mothers: Collection[int], sources: Collection[int], uses: Sequence[KinshipUse]) -> Kinship:
    """See `kinship.kinship_of`."""
    rows = rows_behind(frozenset({*mothers, *sources}), mated=frozenset(mothers))
    asked = tuple((frozenset(of_mothers.items()), frozenset(of_sources.items())) for of_mothers, of_sources in uses)
    return _kinship(rows, frozenset(mothers), frozenset(sources), asked)


@lru_cache(maxsize=MOST_BUILT)
def _kinship(rows: PedigreeRows, mothers: frozenset[int], sources: frozenset[int], uses: tuple[_Asked, ...]) -> Kinship:
    table = _built(rows, mothers)
    dams, drones = dict.fromkeys(map(str, mothers), 0.0), dict.fromkeys(map(str, sources), 0.0)
    found = tuple(
        outcome_of(table, dams, drones, _by_name(dict(of_mothers)), _by_name(dict(of_sources)))[1]
        for of_mothers, of_sources in uses
    )
    both = np.array([table.layout.index[pk] for pk in {**dams, **drones}], dtype=np.int64)
    now = mean_coancestry_between(table, both)
    return Kinship(None if np.isnan(now) else now, found)


def between(queens: Sequence[int]) -> list[list[float]]:
    """See `kinship.kinship_between`."""
    table = _table(set(), set(queens))
    found: list[list[float]] = (relationship_matrix(table, [str(pk) for pk in queens]) / 2).tolist()
    return found


def _by_name(weights: Mapping[int, float]) -> dict[str, float]:
    return {str(pk): weight for pk, weight in weights.items()}


def _table(mothers: set[int], sources: set[int]) -> NodeTable:
    return _built(rows_behind(frozenset(mothers | sources), mated=frozenset(mothers)), frozenset(mothers))


@lru_cache(maxsize=MOST_BUILT)
def _built(rows: PedigreeRows, mothers: frozenset[int]) -> NodeTable:
    return build_nodes(pedigree_from(rows), mated=[str(pk) for pk in sorted(mothers)])


def _curve(
    table: NodeTable, dams: Mapping[str, float], drones: Mapping[str, float], cap: Mapping[str, float]
) -> ContributionCurve:
    """The best plans from the least coancestry to no ceiling at all, closer together where gain rises fast."""
    ends = optimum_contributions(table, dams, drones, [1.0], cap=cap)
    low, high = ends.min_coancestry, ends.solutions[0].coancestry
    if not high > low * (1 + 1e-6):
        return ends
    steps = low + (high - low) * (np.arange(1, CURVE_POINTS + 1) / CURVE_POINTS) ** 2
    return optimum_contributions(table, dams, drones, steps.tolist(), cap=cap)


def _message(found: Contributions, curve: ContributionCurve) -> str:
    if found.status == "infeasible":
        return _("No plan of these candidates stays below %(target)s %% coancestry; the least is %(least)s %%.") % {
            "target": number_format(round(100 * found.max_coancestry, 1), decimal_pos=1),
            "least": number_format(round(100 * curve.min_coancestry, 1), decimal_pos=1),
        }
    if found.status == "not_converged":
        return _("The result did not pass its check and is not shown: %(why)s") % {"why": found.message}
    return ""


def _uses(candidates: Sequence[Candidate], shares: Mapping[str, float], queens: int, most: int | None) -> list[Use]:
    used = {pk: share for pk, share in shares.items() if share > UNUSED}
    numbers = counts_of(used, queens, most=dict.fromkeys(used, most) if most else None)
    made = [Use(c, used[str(c.queen.pk)], numbers[str(c.queen.pk)]) for c in candidates if numbers.get(str(c.queen.pk))]
    return sorted(made, key=lambda use: (-use.number, -use.share, use.candidate.queen.label))


def _allocated(mothers: Sequence[Use], sources: Sequence[Use], run: EvaluationRun, wish: Wish) -> Allocated:
    grid = cross_grid(
        [use.candidate.queen for use in mothers], [use.candidate.queen for use in sources], run, wish.options
    )
    queens = np.array([use.number for use in mothers], dtype=np.int64)
    capacity = np.array([use.number for use in sources], dtype=np.int64)
    values = _values(grid, wish)
    goal = "low" if wish.goal == "inbreeding" else "high"
    sound = np.array([[one.is_sound for one in row] for row in grid.cells])
    found = allocate(values, queens, capacity, goal=goal, allowed=sound)  # type: ignore[arg-type]
    all_sound = found.status == "optimal"
    if not all_sound:
        found = allocate(values, queens, capacity, goal=goal)  # type: ignore[arg-type]
    pairs = [
        Pair(grid.mothers[i], grid.sources[j], int(found.counts[i, j]), grid.cells[i][j])
        for i, j in np.argwhere(found.counts > 0).tolist()
    ]
    return Allocated(pairs, found.mean, found.mean_at_random, all_sound)


def _values(grid: CrossGrid, wish: Wish) -> Floats:
    rows = [
        [one.worker_inbreeding if wish.goal == "inbreeding" else one.viability for one in row] for row in grid.cells
    ]
    return np.array(rows)
