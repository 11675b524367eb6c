"""Places won by moving others: an unserved queen takes a place, whoever had it takes another, up to three deep."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from .repair_ground import Ground, KeptState


class Chains:
    """Searches chains of moves that end in a free place, so that one queen more is served.

    Parameters
    ----------
    ground : Ground
    state : KeptState
        Changed in place whenever a chain is found.
    order : sequence of int
        Bookings in the order in which equals are looked at.
    trials : int
        How many exchanges may be tried altogether: the limit that does not depend on the machine.
    stop : callable
        Whether to end now; a chain in progress is undone.

    Notes
    -----
    Only bookings that take single sources move. Frozen queens never do. A booking from which no chain was found is
    not tried again in the same pass, so one pass looks at each booking at most once for each length.
    """

    def __init__(
        self, ground: Ground, state: KeptState, order: Sequence[int], trials: int, stop: Callable[[], bool]
    ) -> None:
        self.ground, self.state, self.order, self.trials, self.stop = ground, state, order, trials, stop
        self._dead: set[tuple[int, int, int]] = set()
        self._free: dict[int, bool] = {}
        self._path: set[int] = set()

    @property
    def over(self) -> bool:
        return self.trials <= 0 or self.stop()

    def serve(self, *, moves: int, depth: int, found: Callable[[], None]) -> int:
        """Serve as many unserved queens as chains of that length allow; return how many. [queens]

        Parameters
        ----------
        moves : int
            Most published queens that one chain may move from where they were told.
        depth : int
            Most exchanges in one chain.
        found : callable
            Called after each chain.
        """
        served = 0
        self._dead.clear()
        for b in self._unserved():
            while self.state.left[b] and not self.over:
                self._free.clear()
                if not self._served_with_share(b, moves, depth):
                    break
                served += 1
                found()
        return served

    def _unserved(self) -> list[int]:
        ground, state = self.ground, self.state
        asked, got = ground.asked_by_member(), ground.served_by_member(state)
        rank = {b: n for n, b in enumerate(self.order)}
        waiting = [b for b in self.order if state.left[b] and ground.direct_of[b]]
        member = ground.grid.member_of
        return sorted(waiting, key=lambda b: (got[member[b]] / max(1, asked[member[b]]), rank[b]))

    def _served_with_share(self, b: int, moves: int, depth: int) -> bool:
        before = self.state.copied()
        self.state.limit = self.ground.limits(self.state, more=self.ground.grid.bookings[b].ul10)
        self._path.clear()
        if not self._placed(b, moves, depth):
            return False
        if self.ground.shares_held(self.state):
            return True
        self.state.take_over(before)
        return False

    def _placed(self, b: int, moves: int, depth: int) -> bool:
        """Put one queen of the booking somewhere, moving others on; the state is unchanged when it cannot be."""
        state, ground = self.state, self.ground
        if self._into_free(b):
            return True
        key = (b, moves, depth)
        if depth == 0 or key in self._dead:
            return False
        self._path.add(b)
        for i in ground.direct_of[b]:
            for o in self._in_the_way(i):
                v = ground.grid.direct[o][0]
                now = state.x.get(o, 0)
                price = int(now <= ground.published.get(o, 0))
                if v in self._path or now <= ground.held.get(o, 0) or price > moves:
                    continue
                if (v, moves - price, depth - 1) in self._dead or (depth == 1 and not self._has_free(v)):
                    continue
                if self.over:
                    self._path.discard(b)
                    return False
                self.trials -= 1
                state.add(o, -1)
                if state.room(i):
                    state.add(i, 1)
                    if self._placed(v, moves - price, depth - 1):
                        return True
                    state.add(i, -1)
                state.add(o, 1)
        self._path.discard(b)
        self._dead.add(key)
        return False

    def _into_free(self, b: int) -> bool:
        """Put a queen where there is room now; home first, then where the source is open."""
        state, ground = self.state, self.ground
        slots = ground.grid.direct
        rooms = [i for i in ground.direct_of[b] if state.room(i)]
        if not rooms:
            return False
        i = max(
            rooms,
            key=lambda i: (state.x.get(i, 0) < ground.published.get(i, 0), state.volume[slots[i][1]] > 0, -i),
        )
        state.add(i, 1)
        return True

    def _in_the_way(self, i: int) -> list[int]:
        """Return columns whose queens use what the column needs: the same session, or the same source's drones."""
        grid, x = self.ground.grid, self.state.x
        slot = grid.slots[grid.direct[i][1]]
        here = [o for o in self.ground.in_session[slot.session] if o in x and o != i]
        return here + [o for o in self.ground.of_source[slot.source] if o in x and o != i and o not in here]

    def _has_free(self, v: int) -> bool:
        """Tell whether one queen more of the booking would find room as things stand."""
        known = self._free.get(v)
        if known is None:
            left = self.state.left
            left[v] += 1
            known = any(self.state.room(i) for i in self.ground.direct_of[v])
            left[v] -= 1
            self._free[v] = known
        return known
