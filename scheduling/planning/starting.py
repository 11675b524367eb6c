"""The first plan and the bound: hand rules, the relaxation with its link rows, rounding."""

from __future__ import annotations

import numpy as np
from scipy import sparse

from .goals import kept_goal, served_goal
from .highs import Answer, Relaxation
from .model import Floats, Model
from .neighbourhoods import Neighbourhoods
from .rounding import rounded_state
from .running import PIECE_NODES, PIECE_SECONDS, Search, solve_whole, whole
from .search import improved, only_open
from .slim import slim_program, supported_program

#: Rounds of adding link rows to the relaxation, and the least violation worth a row.
_LINK_ROUNDS, _LINK_LEAST = 3, 1e-3
#: Share of the time that the first relaxation may take. [-]
_RELAX_SHARE = 0.7
#: The whole relaxation takes about so many times as long as the slim one with its rounds. [-]
_WHOLE_TIMES = 5
_SUPPORT_ROUNDS = 4
#: All queens are seated anew between open slots at once up to so many columns, for so long at the most.
_MOST_AT_ONCE, _AT_ONCE_SECONDS, _AT_ONCE_SHARE, _AT_ONCE_NODES = 10_000, 10.0, 0.4, 500
#: A link round is cheap below this share of the time left; diving may take this share altogether. [-]
_CHEAP, _DIVE_SHARE = 0.03, 0.2


def nothing_to_place(search: Search) -> None:
    """An empty season is done; one whose rules ask for more than nothing cannot be."""
    model = search.model
    search.bound = 0
    empty = np.zeros(model.columns)
    model.derive(empty)
    if search.take(empty):
        search.status = "empty"
    else:
        search.status = "infeasible"
        search.broken = broken_rows(model, empty)


def counted_bound(model: Model) -> int:
    """Return a bound without any solver: queens with a place they could have, and places of the sessions."""
    grid = model.grid
    possible = {b for b, _ in grid.direct} | {b for b, _, _ in grid.pooled}
    used = {grid.slots[k].session for _, k in grid.direct} | {j for _, _, j in grid.pooled}
    asked = sum(grid.bookings[b].queens for b in possible)
    return min(asked, sum(grid.sessions[j].queens for j in used))


def relax_and_round(search: Search, point: Floats) -> Floats:
    """Bound the queens by relaxations and round them; return the best start found.

    First the slim relaxation and what its slots support; then, where that left time enough, the whole one,
    tightened by link rows.
    """
    model = search.model
    goal = served_goal(model) if not model.published else kept_goal(model)
    if is_feasible(model, point):
        search.take(point)
    before = search.left()
    if not search.small:
        point = _slim_start(search, goal, point)
    used = before - search.left()
    if used * _WHOLE_TIMES > search.left() * _RELAX_SHARE or search.over():
        return point
    relaxation = Relaxation(model.program(served_goal(model)))
    answer = search.worked(relaxation.solve(search.left() * _RELAX_SHARE))
    if answer.v is None:
        return point
    search.bound = min(search.bound, whole(answer.bound))
    point = _better(search, goal, point, rounded_state(model, answer.v).vector(model))
    if not relaxation.vertex:
        return point
    answer = _with_links(search, relaxation, answer)
    assert answer.v is not None
    return _dive(search, relaxation, answer.v, goal, point)


def _slim_start(search: Search, goal: Floats, point: Floats) -> Floats:
    """Round the slim relaxation, then again and again what the slots of the last rounding support."""
    model = search.model
    program, back = slim_program(model)
    answer = search.worked(Relaxation(program, vertex=False).solve(search.left() * _RELAX_SHARE))
    if answer.v is None:
        return point
    search.bound = min(search.bound, whole(answer.bound))
    state = rounded_state(model, back @ answer.v)
    point = _better(search, goal, point, state.vector(model))
    for _ in range(_SUPPORT_ROUNDS):
        if search.over():
            break
        program, columns, v = supported_program(model, goal, state)
        supported = search.worked(Relaxation(program).solve(search.left() * _RELAX_SHARE))
        if supported.v is None:
            break
        v[columns] = supported.v
        state = rounded_state(model, v)
        better = _better(search, goal, point, state.vector(model))
        if better is point:
            break
        point = better
    return _supported_whole(search, goal, point)


def _supported_whole(search: Search, goal: Floats, point: Floats) -> Floats:
    """Seat the queens anew between the slots that are open, all at once where they are not too many."""
    model = search.model
    open_slot = point[model.blocks["z"].slice] > 0.5
    free = only_open(model, np.ones(model.columns, dtype=bool), open_slot)
    if not is_feasible(model, point) or int((free & model.integer).sum()) > _MOST_AT_ONCE:
        return point
    seconds = min(_AT_ONCE_SECONDS, search.left() * _AT_ONCE_SHARE)
    better, answer = improved(
        model, goal, point, free, seconds=seconds, nodes=_AT_ONCE_NODES, seed=search.seed, slack=0.99
    )
    search.worked(answer)
    return _better(search, goal, point, better)


def _with_links(search: Search, relaxation: Relaxation, answer: Answer) -> Answer:
    """Add the link rows that the relaxation breaks, as long as that is cheap; the model keeps them."""
    model = search.model
    assert answer.v is not None
    added: set[int] = set()
    for _ in range(_LINK_ROUNDS):
        rows = _violated_links(model, answer.v, added)
        if rows.shape[0] == 0 or search.over():
            break
        before = search.left()
        none, zero = np.full(rows.shape[0], -np.inf), np.zeros(rows.shape[0])
        relaxation.add_rows(rows, none, zero)
        model.add_rows(rows, none, zero)
        tighter = search.worked(relaxation.solve(before * 0.3))
        if tighter.v is None:
            break
        answer = tighter
        search.bound = min(search.bound, whole(answer.bound))
        if before - search.left() > _CHEAP * before:
            break
    return answer


def _dive(search: Search, relaxation: Relaxation, v: Floats, goal: Floats, point: Floats) -> Floats:
    """Round, close the slots that the relaxation opens least, solve again: while the plan gets better.

    A relaxation spreads thinly over many source-sessions; with the thinnest closed it has to choose, and its
    rounding keeps more of it. What it says after that is no bound any more.
    """
    model = search.model
    slots = model.blocks["z"]
    fixed = model.low[slots.slice] > 0
    open_yet = np.ones(slots.size, dtype=bool)
    best = goal @ point
    until = search.left() * (1 - _DIVE_SHARE)
    while not search.over():
        point = _better(search, goal, point, rounded_state(model, v).vector(model))
        if goal @ point < best or search.left() < until:
            break
        best = goal @ point + 1e-9
        z = v[slots.slice]
        thin = np.flatnonzero(open_yet & ~fixed & (z > 1e-6) & (z < 0.6))
        thin = thin[np.argsort(z[thin], kind="stable")]
        closed = np.r_[thin[: -(-3 * len(thin) // 10)], np.flatnonzero(open_yet & ~fixed & (z <= 1e-6))]
        if not len(thin):
            break
        open_yet[closed] = False
        relaxation.close(slots.start + closed)
        answer = search.worked(relaxation.solve(search.left() * 0.3))
        if answer.v is None:
            break
        v = answer.v
    return point


def _better(search: Search, goal: Floats, point: Floats, other: Floats) -> Floats:
    model = search.model
    fits, other_fits = is_feasible(model, point), is_feasible(model, other)
    if (other_fits, goal @ other) <= (fits, goal @ point):
        return point
    if other_fits:
        search.take(other)
    return other


def _violated_links(model: Model, v: Floats, added: set[int]) -> sparse.csr_matrix:
    """Return rows ``x <= most z`` that a point of the relaxation breaks, and remember them as added."""
    grid, blocks = model.grid, model.blocks
    most, x, z = model.high[blocks["x"].slice], v[blocks["x"].slice], v[blocks["z"].slice]
    slot = np.array([k for _, k in grid.direct], dtype=np.int64)
    if not len(slot):
        return sparse.csr_matrix((0, model.columns))
    new = [i for i in np.flatnonzero(x > most * z[slot] + _LINK_LEAST).tolist() if i not in added]
    added.update(new)
    count = len(new)
    row = np.r_[np.arange(count), np.arange(count)]
    col = np.r_[[blocks["x"][i] for i in new], [blocks["z"][int(slot[i])] for i in new]].astype(np.int64)
    value = np.r_[np.ones(count), -most[new]]
    return sparse.csr_matrix((value, (row, col)), shape=(count, model.columns))


def is_feasible(model: Model, v: Floats) -> bool:
    rows = model.A @ v
    return bool(
        (rows <= model.row_high + 1e-6).all() and (rows >= model.row_low - 1e-6).all() and (v >= model.low - 1e-6).all()
    )


def made_feasible(search: Search, point: Floats) -> Floats:
    """Reach the rows that a start can miss: least number of sources and frozen placements."""
    model = search.model
    if is_feasible(model, point):
        return point
    missing = np.flatnonzero(model.A @ point < model.row_low - 1e-6)
    wanted = model.row_low[missing].copy()
    goal = served_goal(model) + 1000.0 * np.asarray(model.A[missing].sum(axis=0)).ravel()
    choose = Neighbourhoods(model, search.seed)
    while not search.over():
        reached = model.A[missing] @ point
        if (reached >= wanted - 1e-6).all():
            break
        model.row_low[missing] = np.minimum(wanted, reached)
        if search.small:
            point, _ = solve_whole(search, goal, point, max(1.0, search.left() * 0.4), 0.0)
            break
        arm, free = choose.draw(point)
        before = goal @ point
        point, answer = improved(model, goal, point, free, seconds=PIECE_SECONDS, nodes=PIECE_NODES, seed=search.seed)
        search.worked(answer)
        choose.learn(arm, gain=float(goal @ point - before), proven=answer.proven)
    model.row_low[missing] = wanted
    if is_feasible(model, point):
        search.take(point)
    return point


def broken_rows(model: Model, point: Floats) -> tuple[str, ...]:
    """Name the season's rules that the point does not reach."""
    names = []
    rules = model.grid.problem.rules
    if point[model.blocks["m"].slice].sum() < rules.min_sources:
        names.append("min_sources")
    if model.grid.problem.frozen:
        names.append("frozen")
    return tuple(names)
