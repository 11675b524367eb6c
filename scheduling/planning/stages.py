"""The order of work: a first plan and a bound, then the goals level by level."""

from __future__ import annotations

from fractions import Fraction

import numpy as np

from .baseline import best_by_hand
from .goals import (
    FLOOR_TOLERANCE,
    Goal,
    balance_goal,
    fair_goal,
    hold_floor,
    hold_merit,
    kept_goal,
    merit_goal,
    next_floor,
    served_goal,
    shares,
)
from .highs import relaxed
from .running import Search, improve, improve_by_pieces, solve_whole
from .spreading import exchange_sources
from .starting import broken_rows, counted_bound, made_feasible, nothing_to_place, relax_and_round

#: Share of the time for merit and age in the full order of goals.
_MERIT_SHARE = 0.12


def planned(search: Search, goal: Goal) -> None:
    """Fill the search's point, bound and status for a goal."""
    model = search.model
    search.bound = counted_bound(model)
    if not model.grid.direct and not model.grid.pooled:
        nothing_to_place(search)
        return
    point = best_by_hand(model).vector(model)
    point = relax_and_round(search, point)
    point = made_feasible(search, point)
    if search.v is None and not search.take(point):
        search.broken = broken_rows(model, point)
        search.status = "infeasible"
        return
    if goal == "served":
        proven = improve(search, served_goal(model))
    elif goal in ("fair", "served_fair"):
        proven = _fairest(search, Fraction(1), 0.5)
        proven = _improve_above_floor(search, proven)
    else:
        proven = _all_goals(search)
    if proven or search.served >= search.bound:
        search.status = "optimal" if goal != "all" or proven else "feasible"


def _fairest(search: Search, tolerance: Fraction, share: float) -> bool:
    """Raise the floor that every member reaches, step by step; return whether no higher one is possible.

    Parameters
    ----------
    tolerance : Fraction
        Up to which share of the relaxation's level the floor is raised.
    share : float
        How much of the time left may go into it.
    """
    model = search.model
    until = search.left() * (1 - share)
    level = _highest_level(search) * tolerance
    if search.small:
        return _fairest_of_small(search, level, until) and tolerance == 1
    while search.left() > until and not search.stop():
        assert search.v is not None
        reached = min(shares(model, search.v), default=Fraction(1))
        floor = next_floor(model, reached)
        if reached >= 1 or floor > level:
            return tolerance == 1
        goal = fair_goal(model, floor, max(level, floor))
        model.derive(search.v)
        improve_by_pieces(search, goal, until=until, slack=0.99)
        if min(shares(model, search.v)) <= reached:
            return False
    return False


def _fairest_of_small(search: Search, level: Fraction, until: float) -> bool:
    """Raise the floor by solving the whole program for each; return whether no higher one is possible."""
    model = search.model
    assert search.v is not None
    goal = fair_goal(model, level, level)
    model.derive(search.v)
    v, _ = solve_whole(search, goal, search.v, (search.left() - until) * 0.3, 0.99)
    if v is not search.v:
        search.take(v)
    v = search.v
    proven = False
    while search.left() > until and not search.stop():
        reached = min(shares(model, v), default=Fraction(1))
        floor = next_floor(model, reached)
        if reached >= 1 or floor > level:
            proven = True
            break
        goal = fair_goal(model, floor, floor)
        goal[model.blocks["S"].slice] = 0.0
        goal[model.tier(0)] = 1.0
        model.derive(v)
        v, answer = solve_whole(search, goal, v, (search.left() - until) * 0.5, 0.99)
        if min(shares(model, v)) < floor:
            proven = answer.proven
            break
    if min(shares(model, v), default=Fraction(1)) > min(shares(model, search.v), default=Fraction(1)):
        hold_floor(model, min(shares(model, v)))
        v, _ = solve_whole(search, kept_goal(model), v, search.left() * 0.2, 0.99)
        search.take(v)
    return proven


def _highest_level(search: Search) -> Fraction:
    """Return an upper bound on the lowest share, from the relaxation where there is time for it."""
    model = search.model
    goal = np.zeros(model.columns)
    goal[model.blocks["t"][0]] = 1.0
    answer = search.worked(relaxed(model.program(goal), seconds=search.left() * 0.25))
    if answer.v is None:
        return Fraction(1)
    return Fraction(min(1.0, answer.bound + 1e-6)).limit_denominator(10**6)


def _improve_above_floor(search: Search, fairest: bool) -> bool:
    """Serve most queens without falling below the floor reached."""
    model = search.model
    assert search.v is not None
    reached = min(shares(model, search.v), default=Fraction(0))
    hold_floor(model, reached)
    proven = improve(search, served_goal(model))
    if proven and fairest:
        search.bound = min(search.bound, search.served)
    return proven and fairest


def _all_goals(search: Search) -> bool:
    """Keep what is published, be fair within the tolerance, serve most, mate well, then spread over the sources."""
    model = search.model
    total = search.left()
    tolerance = 1 - FLOOR_TOLERANCE
    _fairest(search, tolerance, 0.35)
    assert search.v is not None
    reached = min(shares(model, search.v), default=Fraction(0))
    level = max(reached, Fraction(search.bound, max(1, model.grid.problem.requested)) * tolerance)
    goal = fair_goal(model, reached, level)
    model.derive(search.v)
    proven = improve(search, goal, until=total * _MERIT_SHARE)
    blocks = model.blocks
    for name in ("S", "k"):
        model.low[blocks[name].slice] = np.rint(search.v[blocks[name].slice])
    if search.left() > 0:
        # With targets the time for merit is shared; nothing takes longer.
        improve(search, merit_goal(model), until=search.left() / 2 if model.aims else 0.0, slack=0.0)
    if model.aims and search.left() > 0:
        hold_merit(model, search.v)
        exchange_sources(search)
        improve(search, balance_goal(model), slack=0.0)
    return proven
