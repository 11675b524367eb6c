"""Whatever figures a season may use, its dates stay in order."""

import datetime as dt
from decimal import Decimal

from hypothesis import assume, given
from hypothesis import strategies as st

from scheduling.planning.facts import FACTS, Fact, SettingError, Settings, settings_from
from scheduling.planning.timing import (
    BatchEvents,
    CohortEvents,
    Step,
    backward_plan,
    batch_calendar,
    bench_day_steps,
    can_still,
    cohort_calendar,
    elapsed_after,
)

BENCH_AT = dt.datetime(2026, 3, 29, 7, 30, tzinfo=dt.UTC)
DAY = dt.date(2026, 3, 29)


def values_of(fact: Fact) -> st.SearchStrategy[Decimal]:
    if fact.is_whole:
        return st.integers(int(fact.low), int(fact.high)).map(Decimal)
    return st.decimals(fact.low, fact.high, places=3)


@st.composite
def settings(draw: st.DrawFn) -> Settings:
    """Up to five figures moved anywhere inside their bounds; contradictions are not settings."""
    keys = draw(st.lists(st.sampled_from(sorted(FACTS)), unique=True, max_size=5))
    try:
        return settings_from({key: draw(values_of(FACTS[key])) for key in keys})
    except SettingError:
        assume(False)
        raise


def assert_in_order(steps: tuple[Step, ...]) -> None:
    for step in steps:
        assert step.earliest <= step.best <= step.latest, step
        assert step.hard_limit is None or step.hard_limit >= step.best, step
        moments = [moment for moment in (step.earliest_at, step.best_at, step.latest_at) if moment is not None]
        assert moments == sorted(moments), step


@given(settings=settings(), is_timed=st.booleans(), is_dosed=st.booleans(), is_split=st.booleans())
def test_steps_of_a_batch_stay_in_order(settings: Settings, is_timed: bool, is_dosed: bool, is_split: bool) -> None:
    graft = batch_calendar(BatchEvents(wanted_bench_on=DAY), settings).grafted_on
    calendar = batch_calendar(
        BatchEvents(
            zone="Europe/Berlin",
            grafted_on=graft,
            bench_at=BENCH_AT if is_timed else None,
            doses_at=(BENCH_AT,) if is_dosed else (),
            is_split_dose=is_split,
        ),
        settings,
    )

    assert_in_order(calendar.steps)
    assert calendar.window.best_on == DAY
    assert calendar.cage_on <= calendar.emergence_early_on <= calendar.emergence_on <= calendar.emergence_late_on
    assert not calendar.window.is_empty


@given(settings=settings())
def test_steps_of_a_cohort_stay_in_order(settings: Settings) -> None:
    calendar = cohort_calendar(CohortEvents(comb_in_on=DAY), settings)

    assert_in_order(calendar.steps)
    ripening = [calendar.emerging_to, calendar.emergency_from, calendar.ripe_from, calendar.planned_from]
    assert ripening == sorted(ripening)
    assert calendar.emerging_from <= calendar.preferred_to <= calendar.last_on < calendar.spent_from


@given(settings=settings())
def test_plan_bench_day_and_deadlines_stay_in_order(settings: Settings) -> None:
    assert_in_order(backward_plan(DAY, settings))
    assert_in_order(bench_day_steps(BENCH_AT, elapsed_after(BENCH_AT, 5), "Europe/Berlin", settings))
    for deadline in can_still(DAY, DAY, settings).deadlines:
        assert deadline.planned_on <= deadline.last_on <= deadline.last_with_reason_on, deadline
