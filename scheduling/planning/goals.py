"""What counts as a better plan: the levels of the goals as objectives of the integer program."""

from __future__ import annotations

from fractions import Fraction
from typing import Literal

import numpy as np
from scipy import sparse

from .model import TIERS, Floats, Model
from .rows import Rows

Goal = Literal["served", "fair", "served_fair", "all"]
GOALS: tuple[Goal, ...] = ("served", "fair", "served_fair", "all")

#: A published queen kept counts more than any other use of her place.
KEPT_WEIGHT = 200
#: A queen below the floor that every member shall reach, then queens of the next tiers, beyond her own one.
TIER_WEIGHTS = (60, 6, 3, 1)
#: The tiers' ends as shares of the level aimed at; the first tier is the floor and is set as it is raised.
_TIER_ENDS = (Fraction(0), Fraction(6, 10), Fraction(8, 10), Fraction(1))
#: The full order of goals gives up this share of the best floor for queens served.
FLOOR_TOLERANCE = Fraction(5, 100)
#: And this share of the merit reached for the sources' targets. Our choice.
MERIT_TOLERANCE = Fraction(5, 100)
#: So little that the merit of a thousand queens weighs as much as one dose from another source.
_MERIT_AT_EQUAL = 0.001


def served_goal(model: Model) -> Floats:
    """Count queens, and keep what is published."""
    goal = np.zeros(model.columns)
    goal[model.blocks["S"].slice] = 1.0
    return goal


def kept_goal(model: Model) -> Floats:
    """Count queens, each published one that is kept many times."""
    goal = served_goal(model)
    goal[model.blocks["k"].slice] = KEPT_WEIGHT
    return goal


def fair_goal(model: Model, floor: Fraction, level: Fraction) -> Floats:
    """Count queens, those below the floor first, then those of the tiers up to the level aimed at.

    Parameters
    ----------
    model : Model
        Its tier columns get their sizes from floor and level.
    floor, level : Fraction
        Served shares: one to be reached by everybody, one to be aimed at. [-]

    Returns
    -------
    ndarray, shape (n_columns,)
        Whole weights, falling from tier to tier: so a member's tiers fill in order by themselves.
    """
    goal = kept_goal(model)
    servable = set(model.servable)
    ends = [max(floor, level * end) if tier else floor for tier, end in enumerate(_TIER_ENDS)]
    for m, asked in enumerate(model.asked):
        before = 0
        for tier in range(TIERS):
            end = min(asked, _ceil(ends[tier] * asked)) if m in servable else 0
            column = model.tier(tier).start + m
            model.high[column] = max(0, end - before)
            goal[column] = TIER_WEIGHTS[tier]
            before = max(before, end)
    return goal


def merit_goal(model: Model) -> Floats:
    """Count merit of the matings and age near the best; each source opened costs a little.

    Returns
    -------
    ndarray, shape (n_columns,)
        Up to 1 for a queen with the best source within her best ages; 0.1 less for a source-session opened.
    """
    grid, blocks = model.grid, model.blocks
    goal = np.zeros(model.columns)
    best = max((entry.merit for booking in grid.bookings for entry in booking.sources), default=0)
    merit = [{entry.id: entry.merit / max(best, 1) for entry in booking.sources} for booking in grid.bookings]
    for i, (b, k) in enumerate(grid.direct):
        slot = grid.slots[k]
        age = _age_merit(model, b, grid.sessions[slot.session].day)
        goal[blocks["x"][i]] = round(0.6 * merit[b][grid.sources[slot.source].id] + 0.4 * age, 3)
    for i, (b, _, j) in enumerate(grid.pooled):
        goal[blocks["y"][i]] = round(0.4 * _age_merit(model, b, grid.sessions[j].day), 3)
    goal[blocks["z"].slice] = -0.1
    return goal


def balance_goal(model: Model) -> Floats:
    """Count what sources give beside their targets; at equal distance merit decides.

    Returns
    -------
    ndarray, shape (n_columns,)
        One less for 10 µl, about the dose of a queen, by which a source is above or below its target.
    """
    goal = _MERIT_AT_EQUAL * merit_goal(model)
    goal[model.blocks["d"].slice] = -1.0
    return goal


def hold_merit(model: Model, v: Floats) -> None:
    """Make the merit reached, less the tolerance, a lower bound; and bound each source's distance from its target."""
    goal, blocks = merit_goal(model), model.blocks
    reached = float(goal @ v)
    least = reached - float(MERIT_TOLERANCE) * abs(reached)
    total, volumes = blocks["T"][0], blocks["V"]
    rows = Rows()
    rows.add([(int(column), float(goal[column])) for column in np.flatnonzero(goal)], least, np.inf)
    if not model.grid.problem.caps_shares:
        rows.add([*((volumes[s], 1.0) for s in range(volumes.size)), (total, -1.0)], 0.0, 0.0)
    for n, (s, share) in enumerate(model.aims):
        distance = blocks["d"][n]
        rows.add([(distance, 1.0), (volumes[s], -1.0), (total, share)], 0.0, np.inf)
        rows.add([(distance, 1.0), (volumes[s], 1.0), (total, -share)], 0.0, np.inf)
    shape = (len(rows.low), model.columns)
    model.add_rows(
        sparse.csr_matrix((rows.value, (rows.row, rows.col)), shape=shape), np.array(rows.low), np.array(rows.high)
    )


def shares(model: Model, v: Floats) -> list[Fraction]:
    """Return the served share of each member who can be served at all."""
    served = np.rint(v[model.blocks["S"].slice]).astype(int).tolist()
    return [Fraction(served[m], model.asked[m]) for m in model.servable]


def next_floor(model: Model, reached: Fraction) -> Fraction:
    """Return the lowest share above one reached that some member could be the worst with."""
    above = [Fraction(int(reached * model.asked[m]) + 1, model.asked[m]) for m in model.servable]
    return min((share for share in above if share <= 1), default=Fraction(1))


def hold_floor(model: Model, floor: Fraction) -> None:
    """Make the floor a lower bound of every member's queens."""
    for m in model.servable:
        model.low[model.blocks["S"][m]] = _ceil(floor * model.asked[m])


def _age_merit(model: Model, b: int, day: int) -> float:
    """Return 1 within the best ages, falling by a quarter for each day outside."""
    booking = model.grid.bookings[b]
    age = day - booking.emerge
    away = max(booking.best_min - age, age - booking.best_max, 0)
    return max(0.0, 1 - away / 4)


def _ceil(share: Fraction) -> int:
    return -(-share.numerator // share.denominator)
