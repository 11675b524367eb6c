"""The hand rules that a coordinator would use with paper and pencil: what the solver has to beat."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from .drawing import plan_of
from .grid import Grid, grid_of
from .model import Model, model_of
from .plan import Plan
from .problem import Placement, Problem
from .rows import place_key
from .state import State

#: How often the share cap, which depends on the whole plan, is guessed anew.
_GUESSES = 3


def hand_plan(problem: Problem) -> Plan:
    """Return the better of first come first served and earliest deadline.

    Parameters
    ----------
    problem : Problem

    Returns
    -------
    Plan
        Without a result. Keeps every rule except, perhaps, the least number of sources and frozen placements
        that contradict others.
    """
    grid = grid_of(problem)
    model = model_of(grid)
    return plan_of(model, best_by_hand(model).vector(model))


def best_by_hand(model: Model) -> State:
    """Return the fuller of the two hand rules' states; the first on a tie."""
    return max(first_come(model.grid), earliest_deadline(model.grid), key=lambda state: state.served)


def first_come(grid: Grid) -> State:
    """Serve bookings in the order in which they came."""
    position = {booking.id: n for n, booking in enumerate(grid.problem.bookings)}
    return _by_order(grid, sorted(range(len(grid.bookings)), key=lambda b: position[grid.bookings[b].id]))


def earliest_deadline(grid: Grid) -> State:
    """Serve bookings whose queens pass their last day first."""
    order = sorted(range(len(grid.bookings)), key=lambda b: (grid.bookings[b].last_day, grid.bookings[b].id))
    return _by_order(grid, order)


def with_share_held(grid: Grid, build: Callable[[Sequence[int] | None], State]) -> State:
    """Build a state under guessed volumes per source until the share cap holds; return the fullest.

    Parameters
    ----------
    grid : Grid
    build : callable
        Makes a state, given the most semen of each source or None. [ul10]

    Returns
    -------
    State
        The share cap holds in it.
    """
    caps = [grid.problem.share_cap(source) for source in grid.sources]
    limit: list[int] | None = None
    best: State | None = None
    for _ in range(_GUESSES):
        state = build(limit)
        total = sum(state.taken)
        held = all(1000 * volume <= cap * total for volume, cap in zip(state.taken, caps, strict=True))
        if not held:
            state.hold_share()
        if best is None or state.served > best.served:
            best = state
        if held:
            break
        limit = [cap * total * 98 // 100_000 if cap < 1000 else 10**18 for cap in caps]
    assert best is not None
    return best


def place_fixed(state: State, placements: Sequence[Placement]) -> None:
    """Put given placements into a state as far as there is room."""
    grid = state.grid
    direct: dict[tuple[str, str, int, str | None], int] = {}
    if not placements:
        return
    for i, (b, k) in enumerate(grid.direct):
        session, source = grid.sessions[grid.slots[k].session], grid.sources[grid.slots[k].source]
        direct[grid.bookings[b].id, session.bench, session.day, source.id] = i
    pooled = {
        (grid.bookings[b].id, grid.sessions[j].bench, grid.sessions[j].day, None): i
        for i, (b, _, j) in enumerate(grid.pooled)
    }
    for placement in placements:
        key = place_key(placement)
        if key in direct:
            i = direct[key]
            missing = placement.queens - state.x.get(i, 0)
            n = min(missing, state.room(i))
            if n > 0:
                state.add(i, n)
        elif key in pooled:
            i = pooled[key]
            _, g, j = grid.pooled[i]
            mix = state.pools.get((g, j))
            missing = placement.queens - (mix.queens.get(i, 0) if mix else 0)
            if missing > 0:
                state.add_pooled(i, missing)


def _by_order(grid: Grid, order: list[int]) -> State:
    direct, pooled = columns_by_booking(grid)

    def build(limit: Sequence[int] | None) -> State:
        state = State(grid, limit)
        place_fixed(state, grid.problem.frozen)
        for b in order:
            if grid.bookings[b].mode == "pool":
                for i in pooled[b]:
                    state.add_pooled(i, state.left[b])
            else:
                _place_batch(state, b, direct[b])
        return state

    return with_share_held(grid, build)


def columns_by_booking(grid: Grid) -> tuple[list[list[int]], list[list[int]]]:
    """Return each booking's direct and pooled columns, by day and bench."""
    direct: list[list[int]] = [[] for _ in grid.bookings]
    pooled: list[list[int]] = [[] for _ in grid.bookings]
    for i, (b, _) in enumerate(grid.direct):
        direct[b].append(i)
    for i, (b, _, _) in enumerate(grid.pooled):
        pooled[b].append(i)
    for columns in direct:
        columns.sort(key=lambda i: (grid.sessions[grid.slots[grid.direct[i][1]].session].day, i))
    for columns in pooled:
        columns.sort(key=lambda i: (grid.sessions[grid.pooled[i][2]].day, i))
    return direct, pooled


def _place_batch(state: State, b: int, columns: list[int]) -> None:
    """Go through the days; in each session use a source that is open already, else the one with most room."""
    grid = state.grid
    by_session: dict[int, list[int]] = {}
    for i in columns:
        by_session.setdefault(grid.slots[grid.direct[i][1]].session, []).append(i)
    if grid.bookings[b].mode == "one":
        room: dict[int, int] = {}
        for i in columns:
            source = grid.slots[grid.direct[i][1]].source
            room[source] = room.get(source, 0) + state.room(i)
        if not room:
            return
        best = max(room, key=lambda s: (min(room[s], state.left[b]), -s))
        by_session = {
            j: [i for i in some if grid.slots[grid.direct[i][1]].source == best] for j, some in by_session.items()
        }
    for some in by_session.values():
        while state.left[b]:
            rooms = [(state.volume[grid.direct[i][1]] > 0, state.room(i), -i) for i in some]
            rooms = [entry for entry in rooms if entry[1] > 0]
            if not rooms:
                break
            _, n, i = max(rooms)
            state.add(-i, n)
