"""What a service level costs and what it keeps: promised, really served and sessions short, level by level.

The season is planned anew at each level with its own yields and counts, and each plan is then lived through many times:
how many drones there are, which share of them gives on a day, and how much each gives are drawn.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from .chances import normal_quantile
from .plan import Plan
from .problem import Cohort, Problem, Source
from .simulating import volume_draws
from .supply import Yield, line_level, reachable, reserve_line

#: On the mean, and three levels that a cooperative may choose from.
LEVELS = (0.5, 0.8, 0.9, 0.95)
DRAWS = 2000

Array = NDArray[np.float64]
#: Works a season out. None when somebody stopped it.
Planner = Callable[[Problem], "Plan | None"]


@dataclass(frozen=True, slots=True)
class Stock:
    """What a cohort really has, normally distributed and cut off at nothing. [1/1000 emergence equivalents]"""

    mean: float
    sd: float


@dataclass(frozen=True, slots=True)
class Truth:
    """What the reserves are meant to cover, by source.

    Parameters
    ----------
    gives : mapping of source to Yield
    stocks : mapping of source to tuple of Stock
        In the order of the source's cohorts.
    least_ul, most_ul : float
        Volumes that the reserve lines are fitted to. [µl]
    """

    gives: Mapping[str, Yield]
    stocks: Mapping[str, tuple[Stock, ...]]
    least_ul: float = 4.0
    most_ul: float = 240.0


@dataclass(frozen=True, slots=True)
class Point:
    """What one service level brings.

    Parameters
    ----------
    level : float
        Chance that a source-session does not run short. [-]
    promised : int
        Queens that the plan has places for. [queens]
    served, served_low, served_high : float
        Queens with a full dose: mean, and the 10 and 90 % points over the draws. [queens]
    sessions : int
        Source-sessions of the plan.
    short, short_low, short_high : float
        Share of them that run short, with its 95 % confidence interval. [-]
    drones : int
        Set aside in all. [drones]
    """

    level: float
    promised: int
    served: float
    served_low: float
    served_high: float
    sessions: int
    short: float
    short_low: float
    short_high: float
    drones: int

    @property
    def broken(self) -> float:
        """Promised places that come to nothing. [queens]"""
        return self.promised - self.served


def truth_of_file(problem: Problem, *, count_cv: float) -> Truth:
    """Return what stands behind the stocks and lines of a planning file.

    Parameters
    ----------
    problem : Problem
        Its sources must tell their yield, its cohorts count and day of emergence.
    count_cv : float
        Error of a count. [-]

    Raises
    ------
    ValueError
        When a source does not tell its yield.
    """
    gives, stocks = {}, {}
    survival = problem.rules.survival_per_day or 1.0
    for source in problem.sources:
        figures = (source.usable_fraction, source.kappa, source.ul_per_drone, source.cv_volume)
        if any(figure is None for figure in figures):
            raise ValueError(f"sources: {source.id!r} does not tell what its drones give")
        gives[source.id] = Yield(*figures)  # type: ignore[arg-type]  # none of them is None
        stocks[source.id] = tuple(_stock_of_file(cohort, survival, count_cv) for cohort in source.cohorts)
    return Truth(gives, stocks)


def _stock_of_file(cohort: Cohort, survival: float, count_cv: float) -> Stock:
    if cohort.count is None or cohort.emerge is None:
        return Stock(float(cohort.stock_eq), 0.0)
    mean = 1000 * cohort.count * survival**-cohort.emerge
    return Stock(mean, count_cv * mean)


def at_level(problem: Problem, truth: Truth, level: float) -> Problem:
    """Return the problem as it would be planned at another service level, without what is frozen or published.

    At 0.5 it is planned on the mean: no reserve, counts as they are.
    """
    z = normal_quantile(level)

    def source_at(source: Source) -> Source:
        fitted = line_level(level)
        per_ul10, fixed = reserve_line(
            reachable(truth.gives[source.id], level=fitted),
            level=fitted,
            least_ul=truth.least_ul,
            most_ul=truth.most_ul,
        )
        cohorts = tuple(
            replace(cohort, stock_eq=max(0, math.floor(stock.mean - z * stock.sd)))
            for cohort, stock in zip(source.cohorts, truth.stocks[source.id], strict=True)
        )
        return replace(source, md_per_ul10=per_ul10, md_fixed=fixed, cohorts=cohorts)

    return replace(
        problem,
        sources=tuple(source_at(source) for source in problem.sources),
        rules=replace(problem.rules, reserve_level=level),
        frozen=(),
        published=(),
    )


def service_curve(
    problem: Problem,
    truth: Truth,
    plan: Planner,
    *,
    levels: Sequence[float] = LEVELS,
    draws: int = DRAWS,
    seed: int = 1,
) -> Iterator[Point]:
    """Yield one point a level, as soon as it is known; ends early when the planner gives None.

    Parameters
    ----------
    problem : Problem
        The season at hand, at any level.
    truth : Truth
    plan : callable
        Works out a problem. Its time is the cost of all this.
    levels : sequence of float
        From 0.5 on. [-]
    draws : int
    seed : int
        The same draws for the same plan.
    """
    for level in levels:
        asked = at_level(problem, truth, level)
        worked_out = plan(asked)
        if worked_out is None:
            return
        yield lived_through(asked, worked_out, truth, level=level, draws=draws, random=np.random.default_rng(seed))


def lived_through(
    problem: Problem, plan: Plan, truth: Truth, *, level: float, draws: int, random: np.random.Generator
) -> Point:
    """Live a plan through many times and count what comes of it.

    Notes
    -----
    Day by day each source-session brings its reserve, whole drones, from the oldest cohort that is ripe, or what is
    left of it. Their share of usable ones is drawn for the session, and the volume from it. A source-session is short
    when it gives less than the plan takes from it; its queens are then served in the plan's order with full doses
    until the semen is gone. A pool is as large as its parts are. The confidence interval is over draws, so what
    sessions of one draw have in common widens it.
    """
    asked = _volumes(problem, plan)
    got, brought = _got(problem, asked, truth, draws, random)
    short = np.array([got[key] < volume / 10 - 1e-9 for key, volume in asked.items()], dtype=np.float64)
    share = short.mean(axis=0) if asked else np.zeros(draws)
    served = _served(problem, plan, got, draws)
    error = normal_quantile(0.975) * float(share.std()) / math.sqrt(draws)
    mean = float(share.mean())
    return Point(
        level=level,
        promised=sum(placement.queens for placement in plan.assign),
        served=float(served.mean()),
        served_low=float(np.quantile(served, 0.1)),
        served_high=float(np.quantile(served, 0.9)),
        sessions=len(asked),
        short=mean,
        short_low=max(0.0, mean - error),
        short_high=min(1.0, mean + error),
        drones=brought,
    )


_Key = tuple[int, str, str]  # day, bench, source


def _volumes(problem: Problem, plan: Plan) -> dict[_Key, float]:
    """Volume that the plan takes of each source in each session, in the order in which it is taken. [0.1 µl]"""
    dose = {booking.id: booking.ul10 for booking in problem.bookings}
    found: dict[_Key, float] = {}
    for placement in plan.assign:
        if placement.source is not None and placement.queens:
            key = (placement.day, placement.bench, placement.source)
            found[key] = found.get(key, 0.0) + placement.queens * dose[placement.booking]
    for pool in plan.pools:
        for part in pool.parts:
            if part.ul10 > 0:
                key = (pool.day, pool.bench, part.source)
                found[key] = found.get(key, 0.0) + part.ul10
    return dict(sorted(found.items()))


def _got(
    problem: Problem, asked: Mapping[_Key, float], truth: Truth, draws: int, random: np.random.Generator
) -> tuple[dict[_Key, Array], int]:
    """Return what each source-session really gives in each draw [µl], and the drones set aside in all."""
    got: dict[_Key, Array] = {}
    reserved = 0
    for source in problem.sources:
        left = [np.maximum(0.0, random.normal(s.mean, s.sd, draws)) for s in truth.stocks[source.id]]
        order = sorted(range(len(left)), key=lambda i: (source.cohorts[i].last_day, source.cohorts[i].first_day))
        for key, volume in asked.items():
            day, _bench, name = key
            if name != source.id:
                continue
            drones = math.ceil((source.md_per_ul10 * volume + source.md_fixed) / 1000 - 1e-6)
            reserved += drones
            need = np.full(draws, float(drones * problem.weights[day]))
            for i in order:
                if source.cohorts[i].first_day <= day <= source.cohorts[i].last_day:
                    taken = np.minimum(need, left[i])
                    left[i] = left[i] - taken
                    need = need - taken
            brought = drones - np.ceil(need / problem.weights[day] - 1e-6).astype(np.int64)
            got[key] = volume_draws(brought, truth.gives[source.id], draws=draws, random=random)
    return got, reserved


def _served(problem: Problem, plan: Plan, got: Mapping[_Key, Array], draws: int) -> NDArray[np.int64]:
    """Return the queens with a full dose in each draw."""
    dose = {booking.id: booking.ul10 for booking in problem.bookings}
    left = {key: volume * 10 for key, volume in got.items()}
    served = np.zeros(draws, dtype=np.int64)

    def give(room: Array, placement_dose: int, queens: int) -> Array:
        doses = np.minimum(queens, np.floor((room + 1e-6) / placement_dose)).astype(np.int64)
        nonlocal served
        served = served + doses
        return np.asarray(room - doses * placement_dose, dtype=np.float64)

    for placement in plan.assign:
        key = (placement.day, placement.bench, placement.source or "")
        if key in left:
            left[key] = give(left[key], dose[placement.booking], placement.queens)
    rooms: dict[str, Array] = {}
    for pool in plan.pools:
        room = np.zeros(draws)
        for part in pool.parts:
            key = (pool.day, pool.bench, part.source)
            if key in left:
                given = np.minimum(left[key], part.ul10)
                left[key] = left[key] - given
                room = room + given
        rooms[pool.id] = room
    for placement in plan.assign:
        if placement.pool is not None and placement.pool in rooms:
            rooms[placement.pool] = give(rooms[placement.pool], dose[placement.booking], placement.queens)
    return served
