"""The planning problem written down once more, as plainly as can be, for scipy's solver: an independent optimum.

Nothing is shared with the package but the reading of the problem. Stock is a flow from cohorts to days, CO2 has a
variable for each side, every queen count has its own column.
"""

from __future__ import annotations

from collections import defaultdict
from typing import Any

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp

from scheduling.planning.problem import Problem

#: What a column or a group of columns stands for.
Name = tuple[Any, ...]


class SlowModel:
    """Columns by name, rows as dictionaries."""

    def __init__(self, problem: Problem) -> None:
        self.problem = problem
        self.column: dict[Name, int] = {}
        self.high: list[float] = []
        self.whole: list[int] = []
        self.rows: list[tuple[dict[int, float], float, float]] = []
        self._write()

    def most_served(self) -> int | None:
        """Return the largest number of queens; None when no plan keeps the rules."""
        return self._solve({i: 1.0 for name, i in self.column.items() if name[0] in ("x", "y")})

    def _solve(self, goal: dict[int, float]) -> int | None:
        size = len(self.high)
        if not size:
            # Nothing can be placed: rows without columns still have to hold.
            return 0 if all(low <= 0 <= high for _, low, high in self.rows) else None
        matrix = np.zeros((len(self.rows), size))
        for r, (terms, _, _) in enumerate(self.rows):
            for i, value in terms.items():
                matrix[r, i] = value
        cost = np.zeros(size)
        for i, value in goal.items():
            cost[i] = -value
        found = milp(
            cost,
            integrality=np.array(self.whole),
            bounds=Bounds(np.zeros(size), np.array(self.high)),
            constraints=LinearConstraint(matrix, [low for _, low, _ in self.rows], [high for _, _, high in self.rows]),
            options={"mip_rel_gap": 0, "time_limit": 60},
        )
        if found.status == 2:
            return None
        assert found.status == 0, found.message
        return round(-found.fun)

    def _new(self, *name, high: float = np.inf, whole: bool = True) -> int:
        if name not in self.column:
            self.column[name] = len(self.high)
            self.high.append(high)
            self.whole.append(int(whole))
        return self.column[name]

    def _row(self, terms: dict[int, float], low: float = -np.inf, high: float = np.inf) -> None:
        self.rows.append((terms, low, high))

    def _write(self) -> None:
        problem, rules = self.problem, self.problem.rules
        open_days = {(bench.id, day.day): day for bench in problem.benches for day in bench.days}
        sources = {source.id: source for source in problem.sources}
        queens_at: dict[Name, dict[int, float]] = defaultdict(dict)
        old_at: dict[Name, dict[int, float]] = defaultdict(dict)
        volume: dict[Name, dict[int, float]] = defaultdict(dict)
        pool_queens: dict[Name, dict[int, float]] = defaultdict(dict)
        pool_rules: dict[Name, tuple[int, int, frozenset[str]]] = {}
        for booking in problem.bookings:
            usable = {entry.id for entry in booking.sources} - {entry.id for entry in booking.excluded}
            asked: dict[int, float] = {}
            for place, day in open_days.items():
                bench, on = place
                age = on - booking.emerge
                if not day.op_minutes or bench not in booking.benches:
                    continue
                if not booking.age_min <= age <= booking.age_max:
                    continue
                columns: list[int] = []
                if booking.mode == "pool":
                    shared = (booking.pool or booking.id, frozenset(usable), booking.min_sources)
                    key = (*shared, booking.part_cap_permille, place)
                    pool_rules[key] = (booking.min_sources, booking.part_cap_permille, frozenset(usable))
                    column = self._new("y", booking.id, place, high=booking.queens)
                    pool_queens[key][column] = booking.ul10
                    columns.append(column)
                else:
                    for name in usable:
                        if bench in sources[name].benches:
                            column = self._new("x", booking.id, name, place, high=booking.queens)
                            volume[name, place][column] = booking.ul10
                            columns.append(column)
                            if booking.mode == "one":
                                chosen = self._new("c", booking.id, name, high=1)
                                self._row({column: 1, chosen: -booking.queens}, high=0)
                for column in columns:
                    asked[column] = 1
                    queens_at[place][column] = 1
                    if age - 1 >= rules.co2_first_age:
                        old_at[place][column] = 1
            if asked:
                self._row(asked, high=booking.queens)
            chosen_ones = {i: 1.0 for name, i in self.column.items() if name[:2] == ("c", booking.id)}
            if chosen_ones:
                self._row(chosen_ones, high=1)
        pools_at: dict[Name, list[int]] = defaultdict(list)
        for key, users in pool_queens.items():
            self._write_pool(key, users, pool_rules[key], volume, pools_at)
        self._write_sessions(open_days, queens_at, old_at, volume, pools_at)
        self._write_stock(volume)
        self._write_season(volume)

    def _write_pool(self, key, users, rule, volume, pools_at) -> None:
        least, cap, usable = rule
        place = key[-1]
        made = self._new("w", key, high=1)
        pools_at[place].append(made)
        asked = sum(self.high[column] for column in users)
        self._row({**dict.fromkeys(users, 1.0), made: -asked}, high=0)
        parts, used = {}, {}
        for source in self.problem.sources:
            if source.id in usable and place[0] in source.benches:
                part = self._new("p", key, source.id, whole=False)
                is_used = self._new("u", key, source.id, high=1)
                parts[part], used[is_used] = 1.0, 1.0
                most = sum(self.high[column] * dose for column, dose in users.items())
                self._row({part: 1, is_used: -most}, high=0)
                self._row({part: 1, is_used: -1}, low=0)
                share = {column: -dose * cap / 1000 for column, dose in users.items()}
                self._row({part: 1, **share}, high=0)
                volume[source.id, place][part] = 1.0
        self._row({**parts, **{column: -dose for column, dose in users.items()}}, low=0, high=0)
        self._row({**used, made: -least}, low=0)

    def _write_sessions(self, open_days, queens_at, old_at, volume, pools_at) -> None:
        rules = self.problem.rules
        load: dict[Name, dict[int, float]] = defaultdict(dict)
        for place, queens in queens_at.items():
            bench, on = place
            day = open_days[place]
            minutes = dict.fromkeys(queens, float(rules.queen_minutes))
            drones: dict[int, float] = defaultdict(float)
            for source in self.problem.sources:
                taken = volume.get((source.id, place))
                if not taken:
                    continue
                opened = self._new("z", source.id, place, high=1)
                most = 1000 * day.collect_drones / max(1, source.md_per_ul10)
                self._row({**taken, opened: -most}, high=0)
                minutes[opened] = rules.setup_minutes
                drones[opened] += source.md_fixed
                for column, dose in taken.items():
                    drones[column] += source.md_per_ul10 * dose
            for made in pools_at[place]:
                minutes[made] = rules.setup_minutes
            self._row(minutes, high=day.op_minutes)
            self._row(dict(queens), high=day.max_queens)
            self._row(dict(drones), high=1000 * day.collect_drones)
            before, after = self._new("before", place), self._new("after", place)
            self._row({before: 1, after: 1, **dict.fromkeys(queens, -1.0)}, low=0, high=0)
            self._row({before: 1, **dict.fromkeys(old_at[place], -1.0)}, high=0)
            load[bench, on - 1][before] = 1
            load[bench, on + 1][after] = 1
        for place, terms in load.items():
            self._row(terms, high=open_days[place].co2_capacity if place in open_days else 0)

    def _write_stock(self, volume) -> None:
        for source in self.problem.sources:
            flows: dict[int, dict[int, float]] = defaultdict(dict)
            for n, cohort in enumerate(source.cohorts):
                taken = {}
                for day in range(cohort.first_day, cohort.last_day + 1):
                    flow = self._new("flow", source.id, n, day, whole=False)
                    taken[flow] = 1.0
                    flows[day][flow] = -1.0
                self._row(taken, high=cohort.stock_eq)
            need: dict[int, dict[int, float]] = defaultdict(dict)
            for (name, place), columns in volume.items():
                if name == source.id and columns:
                    weight = self.problem.weights[place[1]] / 1000
                    for column, dose in columns.items():
                        need[place[1]][column] = weight * source.md_per_ul10 * dose
                    need[place[1]][self.column["z", name, place]] = weight * source.md_fixed
            for day, terms in need.items():
                self._row({**terms, **flows.get(day, {})}, high=0)

    def _write_season(self, volume) -> None:
        rules = self.problem.rules
        enough: dict[int, float] = {}
        of_source: dict[str, dict[int, float]] = defaultdict(dict)
        total: dict[int, float] = {}
        for (name, _), columns in volume.items():
            of_source[name].update(columns)
            total.update(columns)
        for source in self.problem.sources:
            own = of_source[source.id]
            share = min(rules.max_source_share_permille, source.share_cap_permille or 1000) / 1000
            self._row({i: (dose if i in own else 0) - share * dose for i, dose in total.items()}, high=0)
            counts = self._new("m", source.id, high=1)
            enough[counts] = 1
            self._row({**own, counts: -max(1, rules.min_source_ul10)}, low=0)
        self._row(enough, low=rules.min_sources)
