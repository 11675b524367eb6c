"""Planned against late: for every step whose day has passed without a record, one line of what to do now."""

import datetime as dt
from collections.abc import Callable

from scheduling.planning.facts import Settings
from scheduling.planning.timing.batch_steps import bench_day_of
from scheduling.planning.timing.changes import late_steps
from scheduling.planning.timing.days import days_later, said, whole_days
from scheduling.planning.timing.events import BatchEvents, CohortEvents
from scheduling.planning.timing.steps import BatchCalendar, CohortCalendar, Fit, Note, Step

_Line = Callable[[Step], str]
# A later record of the same kind says all that an earlier one would have said.
_EGG_CHECKS = ("egg_check_1", "egg_check_2", "egg_check_3")
_CELLS = ("confine_breeder", "count_started", "cells_sealed", "cage_cells")


def batch_late_notes(
    events: BatchEvents, calendar: BatchCalendar, settings: Settings, today: dt.date
) -> tuple[Note, ...]:
    """Return what is late of a batch and what to do about it, in the order of the steps.

    Steps of the cells are no longer asked for once virgins have emerged, and a closed batch is asked for nothing.
    """
    if events.closed_on is not None and events.closed_on <= today:
        return ()
    lines = _batch_lines(events, calendar, settings, today)
    notes = [_late_note(step, lines[step.key], today) for step in _late_of_batch(events, calendar, today)]
    missed = _co2_missed(events, calendar, settings, today)
    return (*notes, *([missed] if missed else []))


def cohort_late_notes(
    events: CohortEvents, calendar: CohortCalendar, settings: Settings, today: dt.date
) -> tuple[Note, ...]:
    """The same for the drones of one comb. Spent drones are asked for nothing."""
    if today > calendar.last_on or (events.ended_on is not None and events.ended_on <= today):
        return ()
    last_egg = settings.drone_development_days + settings.comb_lag_days
    ripe_if_today = days_later(today, last_egg + settings.drone_age_first_days)
    lines = {
        "insert_comb": f"Put it in today: its drones are ripe from {said(ripe_if_today)} instead of "
        f"{said(calendar.ripe_from)}. Or take the promise back.",
        "look_for_eggs": "Look today. Without eggs every day that follows is later than worked out here.",
        "count_capped": "Count now, or count the drones at the colony: until then the forecast knows no number.",
        "mark_drones": "Mark or confine them now. Those that left are not told from strangers any more.",
        "count_drones": f"Count now: they are ripe from {said(calendar.ripe_from)}, how many are left nobody knows.",
    }
    late = [step for step in late_steps(calendar.steps, today) if step.key in lines]
    if any(step.key == "insert_comb" for step in late):
        late = late[:1]
    return tuple(_late_note(step, lines[step.key], today) for step in late)


def _late_note(step: Step, line: str, today: dt.date) -> Note:
    days = (today - step.latest).days
    since = "a day ago" if days == 1 else f"{days} days ago"
    return Note(
        key=f"late_{step.key}",
        text=f"Late: {step.what[:1].lower()}{step.what[1:]}. The last day was {said(step.latest)}, {since}.",
        help=line,
        rows=step.rows,
    )


def _late_of_batch(events: BatchEvents, calendar: BatchCalendar, today: dt.date) -> list[Step]:
    lines = {"confine_breeder", "graft", *_CELLS, "report_emergence", "excluder_alarm", "bench_time", "second_co2",
             "second_dose", "third_co2", *_EGG_CHECKS, "sealed_brood", "decide"}  # fmt: skip
    late = [step for step in late_steps(calendar.steps, today) if step.key in lines]
    keys = {step.key for step in late}
    gone: set[str] = set()
    if events.grafted_on is not None:
        gone.add("confine_breeder")
    if "graft" in keys:
        # Nothing else has begun: all the rest follows from the graft.
        gone |= keys - {"graft"}
    if events.emergences:
        gone |= set(_CELLS)
    if "report_emergence" in keys:
        gone |= {*_CELLS, "excluder_alarm"}
    if events.doses_at:
        gone |= {*_CELLS, "report_emergence", "excluder_alarm", "bench_time"}
        if events.eggs_seen_on is None:
            gone.add("sealed_brood")
    else:
        gone |= {"second_co2", "second_dose", "third_co2", *_EGG_CHECKS, "sealed_brood", "decide"}
    for earlier, later in zip(_EGG_CHECKS, (*_EGG_CHECKS[1:], "decide"), strict=True):
        if later in keys:
            gone.add(earlier)
    return [step for step in late if step.key not in gone]


def _batch_lines(events: BatchEvents, calendar: BatchCalendar, settings: Settings, today: dt.date) -> dict[str, str]:
    window = calendar.window
    until = said(window.last_with_reason_on)
    first_bench = days_later(today, settings.graft_to_emergence_days + settings.virgin_age_first_days)
    best_bench = days_later(today, settings.graft_to_emergence_days + settings.virgin_age_planned_days)
    look = "Look daily" if calendar.emergence_early_on > today else "Look now whether one has emerged"
    return {
        "confine_breeder": "Graft the youngest larvae by eye, 12 to 24 hours old; their ages will differ more.",
        "graft": f"From a graft today the first bench day is {said(first_bench)}, the best {said(best_bench)}.",
        "count_started": "Count now; until then places can only be asked for by guess.",
        "cells_sealed": "Write down the day they were sealed if somebody saw it; otherwise leave it.",
        "cage_cells": f"Cage them today. {look}: the first virgin destroys the rest of the bar.",
        "report_emergence": f"Look today and write down the day; until then every age counts from "
        f"{said(calendar.emergence_on)}.",
        "excluder_alarm": "Look today. Virgins that may have flown are not for the bench before it is clear: "
        "eggs without insemination tell.",
        "bench_time": _bench_line(window.fit(today), until),
        "second_co2": "Give it today: late is better than not at all, she only lays later.",
        "second_dose": "Give it at the next bench day while she does not lay, or leave it and note a low dose.",
        "third_co2": "Give it today if there are no eggs.",
        **dict.fromkeys(_EGG_CHECKS, "Look today and write down what you find."),
        "sealed_brood": "Look today: worker brood in a solid pattern is the proof, drone brood means failure.",
        "decide": "Decide now: keep her, treat her again or give her up; no sealed brood is on record so far.",
    }


def _bench_line(fit: Fit, until: str) -> str:
    if fit is Fit.PAST_IT:
        return f"The last day with a reason was {until}: record what was done, or close the batch and free its places."
    return f"Record what was done at the bench, or ask for another day: until {until} with a reason."


def _co2_missed(events: BatchEvents, calendar: BatchCalendar, settings: Settings, today: dt.date) -> Note | None:
    """The first CO2 of a booked place is not on record although its best day is over and the bench still to come."""
    step, bench_on = calendar.step("first_co2"), bench_day_of(events)
    if step is None or step.is_done or bench_on is None or events.doses_at or not step.best < today <= bench_on:
        return None
    after_on = days_later(bench_on, whole_days(settings.co2_spacing_hours))
    return Note(
        key="co2_missed",
        text=f"The first CO2 was due on {said(step.best)} and is not on record; the bench is on {said(bench_on)}.",
        help="Write it down if it was given. Otherwise give it at least "
        f"{settings.co2_pair_min_hours} hours before the insemination, or the second one on {said(after_on)} instead.",
        rows=("C02", "C03", "C17"),
    )
