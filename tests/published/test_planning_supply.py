"""Drones and semen against published figures and other libraries.

Sources: semen sums and drones per dose (rows R23 and R24: derived from semen volume and share of drones without
semen in Apidologie 42, 2011, doi:10.1051/apido/2010026); beta-binomial quantiles and moments from `scipy.stats`;
Hall's condition, as the solver's stock rows hold it, against a maximum flow of `networkx`.
"""

from __future__ import annotations

import math

import networkx
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from scheduling.planning.grid import _stock_rows
from scheduling.planning.problem import Cohort, Source
from scheduling.planning.simulating import shortage_share
from scheduling.planning.supply import (
    Yield,
    drones_on_the_mean,
    reserve_line,
    safe_drones,
)

#: y µl per drone that gives semen, p share that gives: 1.09 and 1.0 with 40.5 % that give none (R21); 0.8 with half.
RICH = Yield(0.595, 30, 1.09, 0.3)
PLAIN = Yield(0.595, 30, 1.0, 0.3)
POOR = Yield(0.5, 30, 0.8, 0.3)


@pytest.mark.parametrize(
    ("volume_ul", "gives", "drones"),
    [
        (24 * 8, RICH, 297),
        (24 * 8 * 1.1, RICH, 326),
        (24 * 8, PLAIN, 323),
        (8, RICH, 13),
        (10, RICH, 16),
        (12, RICH, 19),
        (8, PLAIN, 14),
        (10, PLAIN, 17),
        (8, POOR, 20),
        (10, POOR, 25),
    ],
)
def test_semen_sums_and_drones_for_a_dose(volume_ul: float, gives: Yield, drones: int):
    assert drones_on_the_mean(volume_ul, gives) == drones


@pytest.mark.parametrize("drones", [1, 13, 60, 300])
@pytest.mark.parametrize("probability", [0.05, 0.1, 0.5, 0.9])
def test_usable_drones_are_beta_binomial(drones: int, probability: float):
    got = PLAIN.usable_quantile(drones, probability)
    exact = stats.betabinom(drones, 0.595 * 30, 0.405 * 30)
    assert exact.cdf(got) >= probability > exact.cdf(got - 1)


@pytest.mark.parametrize("drones", [1, 40, 200])
def test_moments_of_the_volume_follow_from_those_of_the_beta_binomial(drones: int):
    # Law of total variance over the number of usable drones k: E k v² cv² + Var(k) v².
    k = stats.betabinom(drones, 0.595 * 30, 0.405 * 30)
    mean, sd = RICH.moments(drones)
    assert mean == pytest.approx(k.mean() * 1.09)
    assert sd == pytest.approx(math.sqrt(k.mean() * (1.09 * 0.3) ** 2 + k.var() * 1.09**2))


def test_the_reserve_is_near_the_line_that_was_fitted_on_a_prototype():
    # About 2.05 drones per µl and 4 for each source-session (planning reference of this project, section 4).
    slope, fixed = reserve_line(Yield(0.6, 30, 1.0, 0.3), level=0.9, least_ul=8, most_ul=100)
    assert slope / 100 == pytest.approx(2.05, abs=0.15)
    assert fixed / 1000 == pytest.approx(4, abs=1.5)


@pytest.mark.parametrize("level", [0.8, 0.9, 0.95])
@pytest.mark.parametrize("volume_ul", [8.0, 30.0, 100.0])
def test_sessions_run_short_no_more_often_than_the_level_allows(level: float, volume_ul: float):
    draws = 40_000
    random = np.random.default_rng(1)
    drones = safe_drones(volume_ul, PLAIN, level=level)
    short = shortage_share(volume_ul, drones, PLAIN, draws=draws, random=random)
    # The volume is a little skewed to the left, the quantile is a normal one: half a point of the share is its
    # error, three standard errors are the sampling's.
    assert short <= (1 - level) + 0.015 + 3 * math.sqrt(level * (1 - level) / draws)
    assert short >= (1 - level) / 3


def test_planning_on_the_mean_runs_short_about_every_second_time():
    random = np.random.default_rng(2)
    drones = drones_on_the_mean(40, PLAIN)
    assert 0.4 < shortage_share(40, drones, PLAIN, draws=20_000, random=random) < 0.55


@st.composite
def cohorts_and_demand(draw: st.DrawFn) -> tuple[list[Cohort], dict[int, int]]:
    windows = draw(st.lists(st.tuples(st.integers(0, 7), st.integers(0, 4)), max_size=4))
    cohorts = [Cohort(first, first + length, draw(st.integers(0, 12))) for first, length in windows]
    return cohorts, draw(st.dictionaries(st.integers(0, 9), st.integers(0, 9), max_size=6))


@settings(max_examples=150)
@given(cohorts_and_demand())
def test_the_stock_rows_allow_what_is_taken_exactly_when_the_flow_does(case: tuple[list[Cohort], dict[int, int]]):
    cohorts, demand = case
    graph = networkx.DiGraph()
    graph.add_node("from")
    graph.add_node("to")
    for n, cohort in enumerate(cohorts):
        graph.add_edge("from", ("cohort", n), capacity=cohort.stock_eq)
        for day in demand:
            if cohort.first_day <= day <= cohort.last_day:
                graph.add_edge(("cohort", n), ("day", day))
    for day, taken in demand.items():
        graph.add_edge(("day", day), "to", capacity=taken)
    flow = networkx.maximum_flow_value(graph, "from", "to")
    rows = _stock_rows(Source("S", 200, 4000, ("J1",), tuple(cohorts)))
    ripe = {day for cohort in cohorts for day in range(cohort.first_day, cohort.last_day + 1)}
    covered = all(day in ripe or not taken for day, taken in demand.items()) and all(
        1000 * sum(demand.get(day, 0) for day in row.days) <= row.stock for row in rows
    )
    assert covered == (flow == sum(demand.values()))
