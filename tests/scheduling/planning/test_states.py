import datetime as dt
from dataclasses import replace
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from scheduling.planning.facts import settings_from
from scheduling.planning.timing import (
    BatchEvents,
    BatchState,
    CohortEvents,
    CohortState,
    Emergence,
    batch_calendar,
    batch_state,
    cohort_calendar,
    cohort_state,
)

SETTINGS = settings_from({})
GRAFT = dt.date(2026, 5, 20)
DOSE = dt.datetime(2026, 6, 9, 9, tzinfo=dt.UTC)

days = st.dates(dt.date(2020, 1, 1), dt.date(2040, 12, 31))


@pytest.mark.parametrize(
    ("changes", "today", "state"),
    [
        ({"grafted_on": None, "planned_graft_on": GRAFT}, dt.date(2026, 5, 28), BatchState.PLANNED),
        ({}, dt.date(2026, 5, 20), BatchState.GRAFTED),
        ({"cells_started": 20}, dt.date(2026, 5, 21), BatchState.STARTED),
        ({"cells_started": 20}, dt.date(2026, 5, 25), BatchState.CAPPED),
        ({}, dt.date(2026, 6, 1), BatchState.EMERGED),
        ({}, dt.date(2026, 6, 3), BatchState.EMERGED),
        ({}, dt.date(2026, 6, 4), BatchState.COMING_READY),
        ({}, dt.date(2026, 6, 6), BatchState.READY),
        ({}, dt.date(2026, 6, 11), BatchState.READY),
        ({}, dt.date(2026, 6, 12), BatchState.LAST_DAYS),
        ({}, dt.date(2026, 6, 15), BatchState.LAST_DAYS),
        ({}, dt.date(2026, 6, 16), BatchState.PAST_IT),
        ({"emergences": (Emergence(dt.date(2026, 6, 2)),)}, dt.date(2026, 6, 16), BatchState.LAST_DAYS),
        ({"doses_at": (DOSE,)}, dt.date(2026, 6, 16), BatchState.INSEMINATED),
        ({"doses_at": (DOSE,), "eggs_seen_on": dt.date(2026, 6, 16)}, dt.date(2026, 6, 16), BatchState.LAYING),
        ({"doses_at": (DOSE,), "eggs_seen_on": dt.date(2026, 6, 8)}, dt.date(2026, 6, 16), BatchState.INSEMINATED),
        ({"eggs_seen_on": dt.date(2026, 6, 8)}, dt.date(2026, 6, 9), BatchState.READY),  # eggs alone prove nothing
        ({"closed_on": dt.date(2026, 6, 1)}, dt.date(2026, 6, 1), BatchState.CLOSED),
    ],
)
def test_state_of_a_batch(changes: dict[str, object], today: dt.date, state: BatchState) -> None:
    events = replace(BatchEvents(grafted_on=GRAFT), **changes)  # type: ignore[arg-type]

    assert batch_state(events, batch_calendar(events, SETTINGS), today) is state


@pytest.mark.parametrize(
    ("changes", "today", "state"),
    [
        ({"comb_in_on": None, "promised_comb_on": dt.date(2026, 4, 27)}, "2026-05-30", CohortState.PROMISED),
        ({}, "2026-04-26", CohortState.PROMISED),
        ({}, "2026-04-27", CohortState.COMB_IN),
        ({}, "2026-04-30", CohortState.LAID),
        ({"laid_on": dt.date(2026, 4, 28)}, "2026-04-28", CohortState.LAID),
        ({}, "2026-05-07", CohortState.CAPPED),
        ({}, "2026-05-21", CohortState.EMERGING),
        ({}, "2026-05-25", CohortState.RIPENING),
        ({}, "2026-06-07", CohortState.RIPE),
        ({}, "2026-06-11", CohortState.RIPE),
        ({}, "2026-06-12", CohortState.FADING),
        ({}, "2026-06-18", CohortState.FADING),
        ({}, "2026-06-19", CohortState.SPENT),
        ({"ended_on": dt.date(2026, 6, 8)}, "2026-06-08", CohortState.SPENT),
    ],
)
def test_state_of_a_cohort(changes: dict[str, object], today: str, state: CohortState) -> None:
    events = replace(CohortEvents(comb_in_on=dt.date(2026, 4, 27)), **changes)  # type: ignore[arg-type]

    assert cohort_state(events, cohort_calendar(events, SETTINGS), dt.date.fromisoformat(today)) is state


@given(comb=days)
def test_a_cohort_only_goes_forward(comb: dt.date) -> None:
    events = CohortEvents(comb_in_on=comb)
    calendar = cohort_calendar(events, SETTINGS)
    order = list(CohortState)

    seen = [order.index(cohort_state(events, calendar, comb + dt.timedelta(days=day))) for day in range(-2, 70)]

    assert all(later >= earlier for earlier, later in pairwise(seen))
    assert set(seen) == set(range(len(order)))
