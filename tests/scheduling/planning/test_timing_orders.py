"""Records that cannot both be so: a clear note, never a crash, and every step still in its order."""

import datetime as dt
from itertools import product

import pytest
from hypothesis import given
from hypothesis import strategies as st

from scheduling.planning.facts import settings_from
from scheduling.planning.timing import (
    BatchEvents,
    CohortEvents,
    Emergence,
    Step,
    batch_calendar,
    batch_late_notes,
    batch_state,
    cohort_calendar,
    cohort_late_notes,
    cohort_state,
    disorders,
)
from scheduling.planning.timing.orders import BATCH_ORDER, COHORT_ORDER

SETTINGS = settings_from({})
ZONE = "Europe/Berlin"
FIRST = dt.date(2026, 5, 1)
BATCH_DAYS = ("confined_on", "grafted_on", "counted_on", "sealed_on", "caged_on", "excluder_on", "eggs_seen_on",
              "sealed_brood_on")  # fmt: skip
COHORT_DAYS = ("comb_in_on", "laid_on", "capped_on", "emerged_on", "marked_on", "capped_counted_on", "last_counted_on",
               "ended_on")  # fmt: skip


def value_of(field: str, day: dt.date) -> object:
    if field == "emergences":
        return (Emergence(day),)
    return (dt.datetime.combine(day, dt.time(9), dt.UTC),) if field.endswith("_at") else day


@pytest.mark.parametrize(
    ("later", "earlier"),
    [(later, earlier) for later, earliers in BATCH_ORDER.items() for earlier in earliers if earlier != "confined_on"],
)
def test_a_step_of_a_batch_before_one_that_must_come_first_is_said_with_both_days(later: str, earlier: str) -> None:
    known = {"grafted_on": FIRST, earlier: value_of(earlier, dt.date(2026, 5, 20))}
    events = BatchEvents(zone=ZONE, **known, **{later: value_of(later, dt.date(2026, 5, 19))})  # type: ignore[arg-type]

    notes = {note.key: note for note in batch_calendar(events, SETTINGS).notes}

    assert [(found.field, found.before) for found in disorders(events)] == [(later, earlier)]
    note = notes[f"order_{later}"]
    assert "on Tue 19 May, before " in str(note.text)
    assert str(note.text).endswith(" on Wed 20 May.")
    assert "look at the dates" in str(note.help)


@pytest.mark.parametrize(
    ("later", "earlier"), [(later, earlier) for later, earliers in COHORT_ORDER.items() for earlier in earliers]
)
def test_a_step_of_a_cohort_before_one_that_must_come_first_is_said_with_both_days(later: str, earlier: str) -> None:
    days = {earlier: dt.date(2026, 5, 20), later: dt.date(2026, 5, 19)}
    events = CohortEvents(promised_comb_on=FIRST, **days)  # type: ignore[arg-type]

    assert [(found.field, found.before) for found in disorders(events)] == [(later, earlier)]
    assert [note.key for note in cohort_calendar(events, SETTINGS).notes] == [f"order_{later}"]


def test_a_graft_before_the_confinement_is_said_as_people_say_it() -> None:
    events = BatchEvents(confined_on=dt.date(2026, 5, 21), grafted_on=dt.date(2026, 5, 20))

    [note] = batch_calendar(events, SETTINGS).notes

    assert (note.key, str(note.text), str(note.help)) == (
        "order_grafted_on",
        "Recorded: the graft on Wed 20 May, before confining the breeder queen on Thu 21 May.",
        "Both cannot be so: please look at the dates and correct one of them.",
    )


@pytest.mark.parametrize("field", [*BATCH_ORDER])
def test_all_on_one_day_is_no_contradiction(field: str) -> None:
    day = dt.date(2026, 5, 20)
    fields = {field, *BATCH_ORDER[field]}

    assert disorders(BatchEvents(zone=ZONE, **{name: value_of(name, day) for name in fields})) == ()  # type: ignore[arg-type]


def test_what_happened_in_its_order_is_not_complained_about() -> None:
    events = BatchEvents(
        zone=ZONE,
        confined_on=dt.date(2026, 5, 16),
        grafted_on=dt.date(2026, 5, 20),
        counted_on=dt.date(2026, 5, 21),
        sealed_on=dt.date(2026, 5, 25),
        caged_on=dt.date(2026, 5, 30),
        emergences=(Emergence(dt.date(2026, 6, 1)),),
        excluder_on=dt.date(2026, 6, 1),
        co2_at=(dt.datetime(2026, 6, 8, 9, tzinfo=dt.UTC),),
        doses_at=(dt.datetime(2026, 6, 9, 9, tzinfo=dt.UTC),),
        eggs_seen_on=dt.date(2026, 6, 16),
        sealed_brood_on=dt.date(2026, 6, 25),
    )

    assert batch_calendar(events, SETTINGS).notes == ()


@pytest.mark.parametrize(("day", "expected"), [(17, ["brood_before"]), (18, [])])
def test_brood_sealed_sooner_than_any_egg_of_hers_could_be_is_said(day: int, expected: list[str]) -> None:
    events = BatchEvents(
        grafted_on=dt.date(2026, 5, 20),
        co2_at=(dt.datetime(2026, 6, 8, 9, tzinfo=dt.UTC),),
        doses_at=(dt.datetime(2026, 6, 9, 9, tzinfo=dt.UTC),),
        eggs_seen_on=dt.date(2026, 6, 11),
        sealed_brood_on=dt.date(2026, 6, day),
    )

    assert [note.key for note in batch_calendar(events, SETTINGS).notes] == expected


# Whatever stands on record: a calendar, in order

season_days = st.dates(dt.date(2026, 4, 1), dt.date(2026, 7, 31))
some_day = st.none() | season_days
moment = st.builds(lambda day, hour: dt.datetime.combine(day, dt.time(hour), dt.UTC), season_days, st.integers(0, 23))
moments = st.lists(moment, max_size=3).map(tuple)


def assert_in_order(steps: tuple[Step, ...]) -> None:
    assert len({step.key for step in steps}) == len(steps)
    for step in steps:
        assert step.earliest <= step.best <= step.latest, step
        assert step.hard_limit is None or step.hard_limit >= step.best, step


@given(
    graft=season_days,
    days=st.fixed_dictionaries({name: some_day for name in BATCH_DAYS if name != "grafted_on"}),
    emerged=st.lists(season_days, max_size=2),
    co2_at=moments,
    doses_at=moments,
    bench_at=st.none() | moment,
    today=st.dates(dt.date(2026, 4, 1), dt.date(2026, 8, 31)),
    is_split=st.booleans(),
)
def test_any_records_of_a_batch_give_a_calendar_in_order(
    graft: dt.date,
    days: dict[str, dt.date | None],
    emerged: list[dt.date],
    co2_at: tuple[dt.datetime, ...],
    doses_at: tuple[dt.datetime, ...],
    bench_at: dt.datetime | None,
    today: dt.date,
    is_split: bool,
) -> None:
    events = BatchEvents(
        zone=ZONE,
        grafted_on=graft,
        emergences=tuple(Emergence(day) for day in emerged),
        co2_at=co2_at,
        doses_at=doses_at,
        bench_at=bench_at,
        is_split_dose=is_split,
        **days,  # type: ignore[arg-type]
    )

    calendar = batch_calendar(events, SETTINGS)

    assert_in_order(calendar.steps)
    assert calendar.cage_on <= calendar.emergence_early_on <= calendar.emergence_on <= calendar.emergence_late_on
    assert {f"order_{found.field}" for found in disorders(events)} <= {note.key for note in calendar.notes}
    assert all(str(note.help) for note in batch_late_notes(events, calendar, SETTINGS, today))
    assert batch_state(events, calendar, today)


@given(
    days=st.fixed_dictionaries(dict.fromkeys(COHORT_DAYS, some_day)),
    promised=season_days,
    today=st.dates(dt.date(2026, 4, 1), dt.date(2026, 8, 31)),
)
def test_any_records_of_a_cohort_give_a_calendar_in_order(
    days: dict[str, dt.date | None], promised: dt.date, today: dt.date
) -> None:
    events = CohortEvents(promised_comb_on=promised, **days)  # type: ignore[arg-type]

    calendar = cohort_calendar(events, SETTINGS)

    assert_in_order(calendar.steps)
    assert [note.key for note in calendar.notes] == [f"order_{found.field}" for found in disorders(events)]
    assert cohort_state(events, calendar, today)
    assert all(str(note.help) for note in cohort_late_notes(events, calendar, SETTINGS, today))


def test_every_record_of_a_batch_and_of_a_cohort_has_its_place_in_the_order() -> None:
    fields = {*BATCH_DAYS, "emergences", "co2_at", "doses_at"}
    assert {*BATCH_ORDER, "confined_on"} == fields
    assert {*COHORT_ORDER, "comb_in_on"} == {*COHORT_DAYS}
    for order in (BATCH_ORDER, COHORT_ORDER):
        names = [*order]
        for later, earlier in product(names, names):
            assert not (earlier in order[later] and later in order[earlier]), (later, earlier)
