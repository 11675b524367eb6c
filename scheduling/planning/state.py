"""A plan in the making: exact sums, and how many more queens a column can take without breaking a rule."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from .grid import Grid
from .model import Floats, Model
from .rows import UNIT


@dataclass(slots=True)
class Mix:
    """A pool in the making: queens by column of `Grid.pooled`, parts by slot. [queens], [ul10]"""

    queens: dict[int, int] = field(default_factory=dict)
    parts: dict[int, int] = field(default_factory=dict)


class State:
    """Integer counts with every rule of a session, the stock and the CO2 rounds held at each step.

    Parameters
    ----------
    grid : Grid
    limit_ul10 : sequence of int, optional
        Most semen of each source over the plan, standing for the share cap. [ul10]
    liking : sequence of float, optional
        For each slot, how gladly it is opened for a pool; higher first.
    """

    def __init__(
        self, grid: Grid, limit_ul10: Sequence[int] | None = None, liking: Sequence[float] | None = None
    ) -> None:
        rules = grid.problem.rules
        self.grid = grid
        self.each, self.setup = rules.queen_minutes, rules.setup_minutes
        self.limit = list(limit_ul10) if limit_ul10 is not None else [10**18] * len(grid.sources)
        self.liking = liking if liking is not None else [0.0] * len(grid.slots)
        self.left = [booking.queens for booking in grid.bookings]
        self.minutes = [session.limits.op_minutes for session in grid.sessions]
        self.places = [session.limits.max_queens for session in grid.sessions]
        self.drones = [1000 * session.limits.collect_drones for session in grid.sessions]
        self.volume = [0] * len(grid.slots)
        self.taken = [0] * len(grid.sources)
        self.stock = [[row.stock for row in rows] for rows in grid.stock_rows]
        self.queens = [0] * len(grid.sessions)
        self.old = [0] * len(grid.sessions)
        self.before = [0] * len(grid.sessions)
        self.x: dict[int, int] = {}
        self.pools: dict[tuple[int, int], Mix] = {}
        self.batch_source: dict[int, int] = {}
        self.slots_in: dict[tuple[int, int], list[int]] = {}
        for g, k in grid.parts:
            self.slots_in.setdefault((g, grid.slots[k].session), []).append(k)
        self._rows_on = [self._rows_of(k) for k in range(len(grid.slots))]
        self._older = [self._neighbour(j, -2) for j in range(len(grid.sessions))]
        self._younger = [self._neighbour(j, 2) for j in range(len(grid.sessions))]
        self._capacity = [tuple(grid.capacity[s.bench].get(s.day + step, 0) for step in (-1, 1)) for s in grid.sessions]

    @property
    def served(self) -> int:
        return sum(self.queens)

    def room(self, i: int) -> int:
        """Return how many more queens the direct column i can take. [queens]"""
        b, k = self.grid.direct[i]
        booking, slot = self.grid.bookings[b], self.grid.slots[k]
        j, s = slot.session, slot.source
        opened = self.volume[k] > 0
        minutes = self.minutes[j] - (0 if opened else self.setup)
        most = min(self.left[b], self.places[j])
        if most <= 0 or minutes < 0:
            return 0
        if booking.mode == "one" and self.batch_source.get(b, s) != s:
            return 0
        if self.each:
            most = min(most, minutes // self.each)
        most = min(most, self._volume_room(k) // booking.ul10)
        if most <= 0:
            return 0
        session = self.grid.sessions[j]
        return self._co2_room(j, most, self.grid.co2_before(b, session.bench, session.day))

    def add(self, i: int, n: int) -> None:
        """Put n queens into the direct column i; `room` says how many may be. Negative n takes out."""
        b, k = self.grid.direct[i]
        self.x[i] = self.x.get(i, 0) + n
        if not self.x[i]:
            del self.x[i]
        self._give(k, n * self.grid.bookings[b].ul10)
        self._seat(b, self.grid.slots[k].session, n)
        if self.grid.bookings[b].mode == "one":
            self.batch_source[b] = self.grid.slots[k].source
            if self.left[b] == self.grid.bookings[b].queens:
                del self.batch_source[b]

    def add_pooled(self, i: int, n: int) -> int:
        """Put up to n queens into the pooled column i, mixing the pool anew; return how many. [queens]"""
        b, g, j = self.grid.pooled[i]
        most = min(n, self.left[b], self.places[j])
        session = self.grid.sessions[j]
        if most > 0:
            most = self._co2_room(j, most, self.grid.co2_before(b, session.bench, session.day))
        old = self.pools.get((g, j), Mix())
        old_volume = sum(old.parts.values())
        self._unmix(g, j)
        low, fitting = 0, dict(old.parts)
        high = most
        while low < high:
            tried = (low + high + 1) // 2
            parts = self._recipe(g, j, old_volume + tried * self.grid.bookings[b].ul10, tried)
            if parts is None:
                high = tried - 1
            else:
                low, fitting = tried, parts
        queens = dict(old.queens)
        if low:
            queens[i] = queens.get(i, 0) + low
        self._mix(g, j, Mix(queens, fitting))
        self._seat(b, j, low)
        return low

    def take_out_of_source(self, s: int) -> bool:
        """Take one queen out that gets semen of the source; tell whether there was one."""
        for i in sorted(self.x, reverse=True):
            if self.grid.slots[self.grid.direct[i][1]].source == s:
                self.add(i, -1)
                return True
        for g, j in sorted(self.pools):
            mix = self.pools[g, j]
            if any(self.grid.slots[k].source == s for k in mix.parts):
                i = min(mix.queens)
                self._pool_less(g, j, i)
                return True
        return False

    def hold_share(self) -> None:
        """Take queens out until no source exceeds its share of the plan's semen."""
        caps = [self.grid.problem.share_cap(source) for source in self.grid.sources]
        while True:
            total = sum(self.taken)
            over = [(1000 * v - caps[s] * total, s) for s, v in enumerate(self.taken)]
            worst = max(over, default=(0, 0))
            if worst[0] <= 0 or not self.take_out_of_source(worst[1]):
                return

    def vector(self, model: Model) -> Floats:
        """Return the state as a point of the integer program."""
        v = np.zeros(model.columns)
        blocks = model.blocks
        for i, n in self.x.items():
            v[blocks["x"][i]] = n
            b, k = self.grid.direct[i]
            if self.grid.bookings[b].mode == "one":
                v[blocks["c"][model.chosen[b, self.grid.slots[k].source]]] = 1
        part_at = {part: i for i, part in enumerate(self.grid.parts)}
        made_at = {made: n for n, made in enumerate(self.grid.made)}
        for (g, j), mix in self.pools.items():
            v[blocks["w"][made_at[g, j]]] = 1
            for i, n in mix.queens.items():
                v[blocks["y"][i]] = n
            for k, volume in mix.parts.items():
                v[blocks["p"][part_at[g, k]]] = volume / UNIT
                if part_at[g, k] in model.counted:
                    v[blocks["u"][model.counted[part_at[g, k]]]] = 1
        for k, used in enumerate(self.volume):
            v[blocks["z"][k]] = used > 0
        v[blocks["before"].slice] = self.before
        model.derive(v)
        return v

    def _rows_of(self, k: int) -> list[tuple[int, int]]:
        """Return the stock rows that count this slot's day: (row, weight)."""
        slot = self.grid.slots[k]
        day = self.grid.sessions[slot.session].day
        weight = self.grid.problem.weights[day]
        rows = self.grid.stock_rows[slot.source]
        return [(r, weight) for r, row in enumerate(rows) if day in row.days]

    def _neighbour(self, j: int, step: int) -> int:
        session = self.grid.sessions[j]
        return self.grid.session_at.get((session.bench, session.day + step), -1)

    def _volume_room(self, k: int) -> int:
        """Return how much more semen the slot can give. [ul10]"""
        slot = self.grid.slots[k]
        source = self.grid.sources[slot.source]
        fixed = 0 if self.volume[k] else source.md_fixed
        drones = self.drones[slot.session]
        for row, weight in self._rows_on[k]:
            drones = min(drones, self.stock[slot.source][row] // weight)
        drones -= fixed
        if drones < 0:
            return 0
        room = self.limit[slot.source] - self.taken[slot.source]
        return min(room, drones // source.md_per_ul10) if source.md_per_ul10 else room

    def _give(self, k: int, volume: int) -> None:
        """Take semen from a slot; negative volume gives it back."""
        if not volume:
            return
        slot = self.grid.slots[k]
        source = self.grid.sources[slot.source]
        was, now = self.volume[k], self.volume[k] + volume
        opened = (now > 0) - (was > 0)
        drones = source.md_per_ul10 * volume + source.md_fixed * opened
        self.volume[k] = now
        self.taken[slot.source] += volume
        self.minutes[slot.session] -= self.setup * opened
        self.drones[slot.session] -= drones
        for row, weight in self._rows_on[k]:
            self.stock[slot.source][row] -= weight * drones

    def _seat(self, b: int, j: int, n: int) -> None:
        if not n:
            return
        self.left[b] -= n
        self.places[j] -= n
        self.minutes[j] -= self.each * n
        session = self.grid.sessions[j]
        old = n if self.grid.co2_before(b, session.bench, session.day) else 0
        changes = self._co2_after(j, self.queens[j] + n, self.old[j] + old)
        self.queens[j] += n
        self.old[j] += old
        assert changes is not None, "a queen was placed without asking for room"
        for position, before in changes.items():
            self.before[position] = before

    def _co2_room(self, j: int, most: int, old: bool) -> int:
        low, high = 0, most
        while low < high:
            tried = high if low == 0 and high == most else (low + high + 1) // 2
            if self._co2_after(j, self.queens[j] + tried, self.old[j] + (tried if old else 0)) is None:
                high = tried - 1
            else:
                low = tried
        return low

    def _co2_after(self, j: int, queens: int, old: int) -> dict[int, int] | None:
        """Return the before-rounds that change when session j has so many queens; None when they do not fit.

        Every second day hangs together: see `co2.co2_rounds` for why taking as many before as fit is best.
        """
        changes: dict[int, int] = {}
        older = self._older[j]
        carried = self.queens[older] - self.before[older] if older >= 0 else 0
        while j >= 0:
            before = max(0, min(queens, old, self._capacity[j][0] - carried))
            after = queens - before
            if after > self._capacity[j][1]:
                return None
            unchanged = bool(changes) and before == self.before[j]
            changes[j] = before
            if unchanged:
                break
            carried = after
            j = self._younger[j]
            if j >= 0:
                queens, old = self.queens[j], self.old[j]
        return changes

    def _recipe(self, g: int, j: int, volume: int, new_queens: int) -> dict[int, int] | None:
        """Return whole-number parts for the pool, opening as few new sources as will do."""
        group = self.grid.groups[g]
        cap = group.part_cap_permille * volume // 1000
        slots = sorted(self.slots_in[g, j], key=lambda k: (self.volume[k] == 0, -self.liking[k], k))
        most = {k: min(cap, self._volume_room(k)) for k in slots}
        slots = [k for k in slots if most[k] > 0]
        for count in range(group.least_parts, len(slots) + 1):
            chosen = slots[:count]
            if sum(most[k] for k in chosen) < volume:
                continue
            parts = _level(volume, {k: most[k] for k in chosen})
            opened = [k for k in chosen if not self.volume[k]]
            minutes = self.setup * (len(opened) + 1) + self.each * new_queens
            sources = {k: self.grid.sources[self.grid.slots[k].source] for k in chosen}
            drones = sum(sources[k].md_per_ul10 * parts[k] for k in chosen)
            drones += sum(sources[k].md_fixed for k in opened)
            if minutes <= self.minutes[j] and drones <= self.drones[j]:
                return parts
        return None

    def _mix(self, g: int, j: int, mix: Mix) -> None:
        if not mix.queens:
            return
        self.pools[g, j] = mix
        self.minutes[j] -= self.setup
        for k, volume in mix.parts.items():
            self._give(k, volume)

    def _unmix(self, g: int, j: int) -> None:
        mix = self.pools.pop((g, j), None)
        if mix is None:
            return
        self.minutes[j] += self.setup
        for k, volume in mix.parts.items():
            self._give(k, -volume)

    def _pool_less(self, g: int, j: int, i: int) -> None:
        """Take one queen of the pooled column i out; what cannot be mixed any more goes altogether."""
        mix = self.pools[g, j]
        b = self.grid.pooled[i][0]
        volume = sum(mix.parts.values()) - self.grid.bookings[b].ul10
        queens = dict(mix.queens)
        queens[i] -= 1
        if not queens[i]:
            del queens[i]
        self._unmix(g, j)
        self._seat(b, j, -1)
        parts = self._recipe(g, j, volume, 0) if queens else None
        if parts is not None:
            self._mix(g, j, Mix(queens, parts))
            return
        for other, n in queens.items():
            self._seat(self.grid.pooled[other][0], j, -n)


def _level(volume: int, most: dict[int, int]) -> dict[int, int]:
    """Share a volume out as evenly as the limits allow; every part gets at least one unit."""
    parts: dict[int, int] = {}
    left = volume
    for position, k in enumerate(sorted(most, key=lambda k: (most[k], k))):
        parts[k] = min(most[k], left // (len(most) - position))
        left -= parts[k]
    for k in parts:
        more = min(left, most[k] - parts[k])
        parts[k] += more
        left -= more
    return parts
