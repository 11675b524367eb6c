"""The first repair: keep whoever still fits, give freed places to those who lost theirs and to those who had none."""

from __future__ import annotations

import heapq
from collections.abc import Callable, Sequence

from .repair_ground import Ground, KeptState, pooled_queens
from .state import Mix

_Order = tuple[float, int, int]


def first_repair(ground: Ground, order: Sequence[int]) -> KeptState:
    """Return a state in which nobody who still fits has moved, filled up.

    Parameters
    ----------
    ground : Ground
    order : sequence of int
        Bookings in the order in which equals are looked at.

    Returns
    -------
    KeptState
        Frozen queens first, then as many published ones as fit; where not all do, members with the lowest share
        keep theirs, unless more queens keep theirs by keeping whole source-sessions. Then filled.
    """
    kept = max((_by_share(ground, order), _by_slot(ground)), key=lambda state: -ground.moved(state))
    filled = [fill(ground, kept.copied(), order), _fill_by_batch(ground, kept.copied(), order)]
    for state in filled:
        _hold_shares(ground, state)
        _again(ground, state)
        _enough_sources(ground, state)
    return max(filled, key=lambda state: (-ground.moved(state), state.served))


def fill(ground: Ground, state: KeptState, order: Sequence[int]) -> KeptState:
    """Put queens without a place wherever there is room, the member with the lowest share first."""
    state.limit = ground.limits(state, more=max(0, ground.volume - sum(state.taken)))

    def one_more(b: int) -> bool:
        if ground.grid.bookings[b].mode == "pool":
            return any(state.add_pooled(i, 1) for i in ground.pooled_of[b])
        i = best_column(ground, state, b)
        if i is not None:
            state.add(i, 1)
        return i is not None

    _round(ground, state, order, one_more)
    return state


def best_column(ground: Ground, state: KeptState, b: int) -> int | None:
    """Return the column with room for a booking's queen: home first, then an open source, then the most room."""
    slots = ground.grid.direct
    best: tuple[bool, bool, int, int] | None = None
    for i in ground.direct_of[b]:
        room = state.room(i)
        if room:
            home = state.x.get(i, 0) < ground.published.get(i, 0)
            found = (home, state.volume[slots[i][1]] > 0, room, -i)
            best = found if best is None else max(best, found)
    return -best[3] if best is not None else None


def _by_share(ground: Ground, order: Sequence[int]) -> KeptState:
    """Keep queen by queen, the member with the lowest share first."""
    state = KeptState(ground.grid)
    _keep_frozen(ground, state)
    waiting: dict[int, list[int]] = {}
    for b in order:
        waiting[b] = [i for i in ground.direct_of[b] if i in ground.published]

    def one_more(b: int) -> bool:
        if ground.grid.bookings[b].mode == "pool":
            _keep_pools(ground, state, b)
            return False
        while waiting[b]:
            i = waiting[b][0]
            if state.x.get(i, 0) < ground.published[i] and state.room(i):
                state.add(i, 1)
                return True
            waiting[b].pop(0)
        return False

    _round(ground, state, order, one_more)
    return state


def _by_slot(ground: Ground) -> KeptState:
    """Keep the source-sessions that hold most, whole ones first."""
    grid = ground.grid
    state = KeptState(grid)
    _keep_frozen(ground, state)
    for b in range(len(grid.bookings)):
        _keep_pools(ground, state, b)
    queens: dict[int, int] = {}
    for i, n in ground.published.items():
        k = grid.direct[i][1]
        queens[k] = queens.get(k, 0) + n
    for i in sorted(ground.published, key=lambda i: (-queens[grid.direct[i][1]], grid.direct[i][1], i)):
        n = min(ground.published[i] - state.x.get(i, 0), state.room(i))
        if n > 0:
            state.add(i, n)
    return state


def _keep_frozen(ground: Ground, state: KeptState) -> None:
    for i in sorted(ground.held_pooled):
        _keep_pool(ground, state, ground.grid.pooled[i][1:])
        missing = ground.held_pooled[i] - pooled_queens(state).get(i, 0)
        if missing > 0:
            state.add_pooled(i, missing)
    for i, n in sorted(ground.held.items()):
        room = min(n, state.room(i))
        if room:
            state.add(i, room)


def _keep_pools(ground: Ground, state: KeptState, b: int) -> None:
    for i in ground.pooled_of[b]:
        if i in ground.published_pooled:
            _keep_pool(ground, state, ground.grid.pooled[i][1:])


def _keep_pool(ground: Ground, state: KeptState, place: tuple[int, int]) -> None:
    """Put a published pool in as it was, or as much of it as can be mixed now."""
    mix = ground.pooled.get(place)
    if mix is None or place in state.pools:
        return
    if mix.parts and state.add_mix(*place, Mix(dict(mix.queens), dict(mix.parts))):
        return
    for i, n in sorted(mix.queens.items()):
        state.add_pooled(i, n)


def _again(ground: Ground, state: KeptState) -> None:
    """Keep whoever fits after others had to go: nobody moves who could stay."""
    state.limit = ground.limits(state)
    for i, n in sorted(ground.published.items()):
        missing = min(n - state.x.get(i, 0), state.room(i))
        if missing > 0:
            state.add(i, missing)
    now = pooled_queens(state)
    for i, n in sorted(ground.published_pooled.items()):
        if n > now.get(i, 0):
            state.add_pooled(i, n - now.get(i, 0))


def _round(ground: Ground, state: KeptState, order: Sequence[int], one_more: Callable[[int], bool]) -> None:
    """Ask for one queen after the other, always for the member with the lowest share, until nobody gets one."""
    grid = ground.grid
    asked, served = ground.asked_by_member(), ground.served_by_member(state)
    rank = {b: n for n, b in enumerate(order)}
    heap: list[_Order] = [(_share(served, asked, grid.member_of[b]), rank[b], b) for b in order if state.left[b]]
    heapq.heapify(heap)
    while heap:
        share, _, b = heapq.heappop(heap)
        m = grid.member_of[b]
        now = _share(served, asked, m)
        if now > share:
            heapq.heappush(heap, (now, rank[b], b))
            continue
        left = state.left[b]
        if one_more(b):
            served[m] += left - state.left[b]
            if state.left[b]:
                heapq.heappush(heap, (_share(served, asked, m), rank[b], b))


def _share(served: Sequence[int], asked: Sequence[int], m: int) -> float:
    return served[m] / asked[m] if asked[m] else 1.0


def _fill_by_batch(ground: Ground, state: KeptState, order: Sequence[int]) -> KeptState:
    """Fill batch by batch, those whose last day comes first, as many together as fit; then the rest singly."""
    grid = ground.grid
    state.limit = ground.limits(state, more=max(0, ground.volume - sum(state.taken)))
    rank = {b: n for n, b in enumerate(order)}
    for b in sorted(order, key=lambda b: (grid.bookings[b].last_day, rank[b])):
        if grid.bookings[b].mode == "pool":
            for i in ground.pooled_of[b]:
                if state.left[b]:
                    state.add_pooled(i, state.left[b])
        while state.left[b]:
            column = best_column(ground, state, b)
            if column is None:
                break
            state.add(column, state.room(column))
    return fill(ground, state, order)


def _hold_shares(ground: Ground, state: KeptState) -> None:
    """Take queens out of sources above their share: those not told yet first, then of members who got most."""
    grid = ground.grid
    asked = ground.asked_by_member()
    while not ground.shares_held(state):
        most = ground.limits(state)
        s = max(range(len(grid.sources)), key=lambda s: (state.taken[s] - most[s], s))
        served = ground.served_by_member(state)
        worth = []
        for i in ground.of_source[s]:
            n = state.x.get(i, 0)
            if n > ground.held.get(i, 0):
                m = grid.member_of[grid.direct[i][0]]
                worth.append((n > ground.published.get(i, 0), _share(served, asked, m), i, False))
        for (_, _), mix in state.pools.items():
            if any(grid.slots[k].source == s for k in mix.parts):
                for i, n in mix.queens.items():
                    if n > ground.held_pooled.get(i, 0):
                        m = grid.member_of[grid.pooled[i][0]]
                        told = n <= ground.published_pooled.get(i, 0)
                        worth.append((not told, _share(served, asked, m), i, True))
        if not worth:
            return
        *_, i, is_pooled = max(worth)
        if is_pooled:
            state.take_pooled(i)
        else:
            state.add(i, -1)


def _enough_sources(ground: Ground, state: KeptState) -> None:
    """Bring as many sources as the season asks for up to their least volume, by queens of the fullest ones."""
    grid = ground.grid
    rules = grid.problem.rules
    least = max(1, rules.min_source_ul10)
    state.limit = ground.limits(state)
    poor = [s for s in range(len(grid.sources)) if state.taken[s] < least]
    for s in sorted(poor, key=lambda s: (-state.taken[s], s)):
        if sum(volume >= least for volume in state.taken) >= rules.min_sources:
            return
        tried = state.copied()
        for i in ground.of_source[s]:
            while tried.taken[s] < least and _bring(ground, tried, i, least):
                pass
        if tried.taken[s] >= least and ground.shares_held(tried):
            state.take_over(tried)


def _bring(ground: Ground, state: KeptState, i: int, least: int) -> bool:
    """Put one queen into a column: one without a place, or one of the same booking from a source that has plenty."""
    grid = ground.grid
    b = grid.direct[i][0]
    dose = grid.bookings[b].ul10
    if state.left[b] and state.room(i):
        state.add(i, 1)
        return True
    for o in ground.direct_of[b]:
        source = grid.slots[grid.direct[o][1]].source
        plenty = state.taken[source] - dose >= least or state.taken[source] < least
        if o == i or state.x.get(o, 0) <= ground.held.get(o, 0) or not plenty:
            continue
        if source == grid.slots[grid.direct[i][1]].source:
            continue
        state.add(o, -1)
        if state.room(i):
            state.add(i, 1)
            return True
        state.add(o, 1)
    return False
