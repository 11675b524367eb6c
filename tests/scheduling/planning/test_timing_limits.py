"""Every step has a day after which it is too late whatever the reason, or it says why it has none."""

import datetime as dt
from dataclasses import replace

import pytest

from scheduling.planning.facts import FACTS, settings_from
from scheduling.planning.timing import (
    BatchEvents,
    CohortEvents,
    Emergence,
    Step,
    backward_plan,
    batch_calendar,
    bench_day_steps,
    cohort_calendar,
    elapsed_after,
    limit_said,
    lot_steps,
)
from scheduling.planning.timing.limits import WITHOUT_LIMIT
from tests.scheduling.planning.calendars import step_of

SETTINGS = settings_from({})
GRAFT, BENCH = dt.date(2026, 5, 20), dt.date(2026, 6, 9)
BENCH_AT = dt.datetime(2026, 6, 9, 9, tzinfo=dt.UTC)
FORWARD = BatchEvents(grafted_on=GRAFT)
OUT = replace(FORWARD, emergences=(Emergence(dt.date(2026, 6, 1)),))
# These have a limit where a bench day is known, and none without one.
BY_BENCH_DAY = {"graft", "insert_comb"}


def all_steps() -> list[Step]:
    batches = [
        BatchEvents(wanted_bench_on=BENCH),
        BatchEvents(planned_graft_on=GRAFT),
        replace(FORWARD, confined_on=dt.date(2026, 5, 16)),
        replace(OUT, bench_on=BENCH),
        replace(OUT, bench_at=BENCH_AT, is_split_dose=True),
        replace(OUT, doses_at=(BENCH_AT,), is_split_dose=True),
    ]
    cohorts = [CohortEvents(promised_comb_on=GRAFT), CohortEvents(comb_in_on=GRAFT, emerged_on=dt.date(2026, 6, 13))]
    return [
        *(step for events in batches for step in batch_calendar(events, SETTINGS).steps),
        *(step for events in cohorts for step in cohort_calendar(events, SETTINGS).steps),
        *backward_plan(BENCH, SETTINGS),
        *bench_day_steps(BENCH_AT, elapsed_after(BENCH_AT, 5), "Europe/Berlin", SETTINGS),
        *lot_steps(BENCH, SETTINGS),
    ]


def test_every_step_has_a_hard_limit_or_happens_by_itself_or_says_why_it_has_none() -> None:
    for step in all_steps():
        if step.hard_limit is not None:
            assert step.hard_limit >= step.latest or step.is_event or step.key in {"cage_cells", "first_co2"}, step
            assert step.key not in WITHOUT_LIMIT or step.key in BY_BENCH_DAY, step
            assert f"{limit_said(step)}".startswith("Too late after "), step
        elif not step.is_event:
            assert limit_said(step) == WITHOUT_LIMIT[step.key], step


def test_no_reason_stands_there_for_a_step_that_does_not_exist() -> None:
    without = {step.key for step in all_steps() if step.hard_limit is None and not step.is_event}

    assert without == set(WITHOUT_LIMIT)


def test_every_hard_limit_rests_on_rows_of_the_trade_facts() -> None:
    known = {row for fact in FACTS.values() for row in fact.rows}

    # The backward example of the trade names one row a step, so a step is judged by all calendars it stands in.
    limited = [step for step in all_steps() if step.hard_limit is not None]
    assert {step.key for step in limited} - {step.key for step in limited if known & set(step.rows)} == set()


@pytest.mark.parametrize(
    ("events", "key", "limit"),
    [
        # V02 with Q09: emergence at the earliest on day 11, 5 days old on the bench day.
        (BatchEvents(wanted_bench_on=BENCH), "graft", dt.date(2026, 5, 24)),
        (BatchEvents(planned_graft_on=GRAFT), "graft", None),
        # Q12: she lays for the larvae of this graft on this day or not at all.
        (BatchEvents(wanted_bench_on=BENCH), "confine_breeder", dt.date(2026, 5, 16)),
        # V02, V05: age 14 with a reason, booked or not.
        (OUT, "bench_time", dt.date(2026, 6, 15)),
        (replace(OUT, bench_on=BENCH), "bench_time", dt.date(2026, 6, 15)),
        (replace(OUT, doses_at=(BENCH_AT,), is_split_dose=True), "second_dose", dt.date(2026, 6, 15)),
        # R32.
        (replace(OUT, bench_on=BENCH), "catch_drones", BENCH),
        # L12: decided on day 28 at the latest.
        (replace(OUT, doses_at=(BENCH_AT,)), "egg_check_1", dt.date(2026, 6, 18)),
        (replace(OUT, doses_at=(BENCH_AT,)), "egg_check_2", dt.date(2026, 6, 22)),
        (replace(OUT, doses_at=(BENCH_AT,)), "egg_check_3", dt.date(2026, 7, 7)),
        (replace(OUT, doses_at=(BENCH_AT,)), "third_co2", dt.date(2026, 7, 7)),
        (replace(OUT, doses_at=(BENCH_AT,)), "decide", dt.date(2026, 7, 7)),
    ],
)
def test_hard_limits_of_a_batch(events: BatchEvents, key: str, limit: dt.date | None) -> None:
    assert step_of(batch_calendar(events, SETTINGS), key).hard_limit == limit


def test_hard_limits_of_a_cohort() -> None:
    calendar = cohort_calendar(CohortEvents(comb_in_on=dt.date(2026, 4, 27)), SETTINGS)

    # The last drones emerge on 24 May: until the day before cells are capped. The first are 28 days old on 18 June.
    assert step_of(calendar, "count_capped").hard_limit == dt.date(2026, 5, 23)
    assert step_of(calendar, "count_drones").hard_limit == dt.date(2026, 6, 18)


def test_backwards_the_same_limits_hold_as_forwards() -> None:
    plan = {step.key: step.hard_limit for step in backward_plan(BENCH, SETTINGS)}
    planned = batch_calendar(BatchEvents(wanted_bench_on=BENCH), SETTINGS)

    for key in ("confine_breeder", "graft", "cage_cells", "bench_time", "egg_check_1", "egg_check_2", "egg_check_3",
                "decide"):  # fmt: skip
        assert plan[key] == step_of(planned, key).hard_limit, key
