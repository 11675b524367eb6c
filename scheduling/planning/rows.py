"""The rows of the integer program, one function for each kind of rule."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
from scipy import sparse

from .grid import most_queens
from .problem import Placement

if TYPE_CHECKING:
    from .model import Model

#: One unit of volume in the program. [ul10]
UNIT = 100.0

_INF = float("inf")


@dataclass(slots=True)
class Rows:
    """Rows being collected as triplets."""

    row: list[int] = field(default_factory=list)
    col: list[int] = field(default_factory=list)
    value: list[float] = field(default_factory=list)
    low: list[float] = field(default_factory=list)
    high: list[float] = field(default_factory=list)

    def new(self, low: float, high: float) -> int:
        self.low.append(low)
        self.high.append(high)
        return len(self.low) - 1

    def put(self, row: int, col: int, value: float) -> None:
        self.row.append(row)
        self.col.append(col)
        self.value.append(value)

    def add(self, terms: list[tuple[int, float]], low: float, high: float) -> int:
        row = self.new(low, high)
        for col, value in terms:
            self.put(row, col, value)
        return row


def definition_rows(model: Model, rows: Rows) -> sparse.csr_matrix:
    """Write volumes of slots and sources, queens of sessions and members; return the same as sums.

    Parameters
    ----------
    model : Model
    rows : Rows

    Returns
    -------
    csr_matrix, shape (n_columns, n_columns)
        ``sums @ v`` holds at each defined column what it must be.
    """
    grid, blocks = model.grid, model.blocks
    volume = [rows.add([(blocks["vol"][k], -1.0)], 0, 0) for k in range(len(grid.slots))]
    queens = [rows.add([(blocks["q"][j], -1.0)], 0, 0) for j in range(len(grid.sessions))]
    source = [rows.add([(blocks["V"][s], -1.0)], 0, 0) for s in range(len(grid.sources))]
    member = [rows.add([(blocks["S"][m], -1.0)], 0, 0) for m in range(len(grid.members))]
    for i, (b, k) in enumerate(grid.direct):
        rows.put(volume[k], blocks["x"][i], grid.bookings[b].ul10 / UNIT)
        rows.put(queens[grid.slots[k].session], blocks["x"][i], 1.0)
        rows.put(member[grid.member_of[b]], blocks["x"][i], 1.0)
    for i, (b, _, j) in enumerate(grid.pooled):
        rows.put(queens[j], blocks["y"][i], 1.0)
        rows.put(member[grid.member_of[b]], blocks["y"][i], 1.0)
    for i, (_, k) in enumerate(grid.parts):
        rows.put(volume[k], blocks["p"][i], 1.0)
    for k, slot in enumerate(grid.slots):
        rows.put(source[slot.source], blocks["vol"][k], 1.0)
    return _as_sums(model, rows)


def _as_sums(model: Model, rows: Rows) -> sparse.csr_matrix:
    size = model.columns
    defined = {row: col for row, col, value in zip(rows.row, rows.col, rows.value, strict=True) if value < 0}
    terms = [(defined[r], c, v) for r, c, v in zip(rows.row, rows.col, rows.value, strict=True) if v > 0]
    at = [row for row, _, _ in terms], [col for _, col, _ in terms]
    sums = sparse.csr_matrix(([value for _, _, value in terms], at), shape=(size, size))
    # A source's volume is the sum of its slots' volumes, themselves sums: put those in their place.
    derived = np.zeros(size)
    derived[model.blocks["vol"].slice] = 1.0
    given = sparse.diags(1 - derived) + sparse.diags(derived) @ sums
    return sparse.csr_matrix(sums @ given)


def demand_rows(model: Model, rows: Rows) -> None:
    grid, blocks = model.grid, model.blocks
    asked = [rows.new(-_INF, booking.queens) for booking in grid.bookings]
    for i, (b, _) in enumerate(grid.direct):
        rows.put(asked[b], blocks["x"][i], 1.0)
    for i, (b, _, _) in enumerate(grid.pooled):
        rows.put(asked[b], blocks["y"][i], 1.0)
    by_choice: dict[tuple[int, int], list[int]] = {}
    for i, (b, k) in enumerate(grid.direct):
        if grid.bookings[b].mode == "one":
            by_choice.setdefault((b, grid.slots[k].source), []).append(i)
    one_of: dict[int, list[tuple[int, float]]] = {}
    for (b, s), columns in by_choice.items():
        c = blocks["c"][model.chosen[b, s]]
        terms = [(blocks["x"][i], 1.0) for i in columns]
        rows.add([*terms, (c, -float(grid.bookings[b].queens))], -_INF, 0)
        one_of.setdefault(b, []).append((c, 1.0))
    for terms in one_of.values():
        rows.add(terms, -_INF, 1)


def link_rows(model: Model, rows: Rows) -> None:
    """Volume, and direct queens, only from slots that are opened."""
    grid, blocks = model.grid, model.blocks
    direct: list[list[int]] = [[] for _ in grid.slots]
    for i, (_, k) in enumerate(grid.direct):
        direct[k].append(i)
    for k, slot in enumerate(grid.slots):
        z = blocks["z"][k]
        rows.add([(blocks["vol"][k], 1.0), (z, -slot.most_ul10 / UNIT)], -_INF, 0)
        if not direct[k]:
            continue
        least_dose = min(grid.bookings[grid.direct[i][0]].ul10 for i in direct[k])
        asked = sum(grid.bookings[grid.direct[i][0]].queens for i in direct[k])
        most = min(grid.sessions[slot.session].queens, slot.most_ul10 // least_dose, asked)
        rows.add([*((blocks["x"][i], 1.0) for i in direct[k]), (z, -float(most))], -_INF, 0)


def pool_rows(model: Model, rows: Rows) -> None:
    grid, blocks = model.grid, model.blocks
    queens: dict[tuple[int, int], list[int]] = {}
    for i, (_, g, j) in enumerate(grid.pooled):
        queens.setdefault((g, j), []).append(i)
    parts: dict[tuple[int, int], list[int]] = {}
    for i, (g, k) in enumerate(grid.parts):
        parts.setdefault((g, grid.slots[k].session), []).append(i)
    for n, (g, j) in enumerate(grid.made):
        group, session, w = grid.groups[g], grid.sessions[j], blocks["w"][n]
        y, p = queens[g, j], parts[g, j]
        dose = {i: grid.bookings[grid.pooled[i][0]].ul10 / UNIT for i in y}
        volume = [(blocks["y"][i], -dose[i]) for i in y]
        rows.add([*((blocks["p"][i], 1.0) for i in p), *volume], 0, 0)
        cap = group.part_cap_permille / 1000
        for i in p:
            if cap < 1:
                rows.add([(blocks["p"][i], 1.0), *((col, cap * value) for col, value in volume)], -_INF, 0)
        least = group.least_parts
        most = most_queens(session.limits.op_minutes, least + 1, session.limits, grid.problem)
        most = min(most, sum(grid.bookings[grid.pooled[i][0]].queens for i in y))
        rows.add([*((blocks["y"][i], 1.0) for i in y), (w, -float(most))], -_INF, 0)
        rows.add([*((blocks["z"][grid.parts[i][1]], 1.0) for i in p), (w, -float(least))], 0, _INF)
        if not group.counted:
            continue
        for i in p:
            u, slot = blocks["u"][model.counted[i]], grid.slots[grid.parts[i][1]]
            rows.add([(blocks["p"][i], 1.0), (u, -1.0 / UNIT)], 0, _INF)
            rows.add([(blocks["p"][i], 1.0), (u, -slot.most_ul10 / UNIT)], -_INF, 0)
        rows.add([*((blocks["u"][model.counted[i]], 1.0) for i in p), (w, -float(least))], 0, _INF)


def session_rows(model: Model, rows: Rows) -> None:
    """Minutes, places, drones everted, and CO2 rounds."""
    grid, blocks, rules = model.grid, model.blocks, model.grid.problem.rules
    slots: list[list[int]] = [[] for _ in grid.sessions]
    for k, slot in enumerate(grid.slots):
        slots[slot.session].append(k)
    made: list[list[int]] = [[] for _ in grid.sessions]
    for n, (_, j) in enumerate(grid.made):
        made[j].append(n)
    divisor = int(np.gcd(rules.queen_minutes, rules.setup_minutes)) or 1
    each, setup = rules.queen_minutes // divisor, rules.setup_minutes // divisor
    for j, session in enumerate(grid.sessions):
        q = blocks["q"][j]
        opened = [(blocks["z"][k], float(setup)) for k in slots[j]]
        opened += [(blocks["w"][n], float(setup)) for n in made[j]]
        rows.add([(q, float(each)), *opened], -_INF, session.limits.op_minutes // divisor)
        rows.add([(q, 1.0)], -_INF, session.limits.max_queens)
        rows.add(_reserve(model, slots[j]), -_INF, session.limits.collect_drones)
    _co2_rows(model, rows)


def _reserve(model: Model, slots: list[int], factor: float = 1.0) -> list[tuple[int, float]]:
    terms = []
    for k in slots:
        source = model.grid.sources[model.grid.slots[k].source]
        terms.append((model.blocks["vol"][k], factor * source.md_per_ul10 * UNIT / 1000))
        terms.append((model.blocks["z"][k], factor * source.md_fixed / 1000))
    return terms


def _co2_rows(model: Model, rows: Rows) -> None:
    grid, blocks = model.grid, model.blocks
    old = [rows.add([(blocks["before"][j], 1.0)], -_INF, 0) for j in range(len(grid.sessions))]
    for i, (b, k) in enumerate(grid.direct):
        session = grid.sessions[j := grid.slots[k].session]
        if grid.co2_before(b, session.bench, session.day):
            rows.put(old[j], blocks["x"][i], -1.0)
    for i, (b, _, j) in enumerate(grid.pooled):
        if grid.co2_before(b, grid.sessions[j].bench, grid.sessions[j].day):
            rows.put(old[j], blocks["y"][i], -1.0)
    places = {(s.bench, s.day + step) for s in grid.sessions for step in (-1, 1)}
    for bench, day in sorted(places):
        terms = []
        follower = grid.session_at.get((bench, day + 1))
        if follower is not None:
            terms.append((blocks["before"][follower], 1.0))
        leader = grid.session_at.get((bench, day - 1))
        if leader is not None:
            terms += [(blocks["q"][leader], 1.0), (blocks["before"][leader], -1.0)]
        rows.add(terms, -_INF, grid.capacity[bench].get(day, 0))


def stock_rows(model: Model, rows: Rows) -> None:
    grid, weights = model.grid, model.grid.problem.weights
    slots: list[list[int]] = [[] for _ in grid.sources]
    for k, slot in enumerate(grid.slots):
        slots[slot.source].append(k)
    for s, stock_rows in enumerate(grid.stock_rows):
        for stock_row in stock_rows:
            terms: list[tuple[int, float]] = []
            for k in slots[s]:
                day = grid.sessions[grid.slots[k].session].day
                if day in stock_row.days:
                    terms += _reserve(model, [k], weights[day] / 1000)
            if terms:
                rows.add(terms, -_INF, stock_row.stock / 1e6)


def season_rows(model: Model, rows: Rows) -> None:
    """Share caps and the least number of sources."""
    grid, blocks, rules = model.grid, model.blocks, model.grid.problem.rules
    count = len(grid.sources)
    if grid.problem.caps_shares:
        # One column for the total keeps these rows sparse.
        total = blocks["T"][0]
        rows.add([*((blocks["V"][s], 1.0) for s in range(count)), (total, -1.0)], 0, 0)
        for s, source in enumerate(grid.sources):
            share = grid.problem.share_cap(source) / 1000
            if share < 1:
                rows.add([(blocks["V"][s], 1.0), (total, -share)], -_INF, 0)
    if rules.min_sources:
        least = max(rules.min_source_ul10, 1) / UNIT
        for s in range(count):
            rows.add([(blocks["V"][s], 1.0), (blocks["m"][s], -least)], 0, _INF)
        rows.add([(blocks["m"][s], 1.0) for s in range(count)], rules.min_sources, _INF)


def fairness_rows(model: Model, rows: Rows) -> None:
    """Tiers of a member's queens, and the lowest served share."""
    blocks = model.blocks
    members = blocks["S"].size
    tiers = blocks["f"].size // members if members else 0
    for m in range(members):
        terms = [(blocks["f"][tier * members + m], 1.0) for tier in range(tiers)]
        rows.add([*terms, (blocks["S"][m], -1.0)], -_INF, 0)
    for m in model.servable:
        rows.add([(blocks["t"][0], float(model.asked[m])), (blocks["S"][m], -1.0)], -_INF, 0)


def placement_rows(model: Model, rows: Rows) -> None:
    """Frozen placements, and how many of the published queens are kept."""
    if not (model.grid.problem.frozen or model.grid.problem.published):
        return
    at = columns_by_place(model)
    for frozen in model.grid.problem.frozen:
        rows.add([(col, 1.0) for col in at.get(place_key(frozen), [])], float(frozen.queens), _INF)
    for n, published in enumerate(model.grid.problem.published):
        columns = at.get(place_key(published), [])
        model.published.append(columns)
        rows.add([(model.blocks["k"][n], 1.0), *((col, -1.0) for col in columns)], -_INF, 0)


PlaceKey = tuple[str, str, int, str | None]


def place_key(placement: Placement) -> PlaceKey:
    """Return what makes two placements the same; whatever a pool is called, it is a pool."""
    return (placement.booking, placement.bench, placement.day, placement.source)


def columns_by_place(model: Model) -> dict[PlaceKey, list[int]]:
    """Return the program's columns of each possible placement."""
    grid, found = model.grid, dict[PlaceKey, list[int]]()
    for i, (b, k) in enumerate(grid.direct):
        session, source = grid.sessions[grid.slots[k].session], grid.sources[grid.slots[k].source]
        key = (grid.bookings[b].id, session.bench, session.day, source.id)
        found.setdefault(key, []).append(model.blocks["x"][i])
    for i, (b, _, j) in enumerate(grid.pooled):
        session = grid.sessions[j]
        found.setdefault((grid.bookings[b].id, session.bench, session.day, None), []).append(model.blocks["y"][i])
    return found
