"""Planned against late: for every step whose day has passed without a record, one line of what to do now."""

import datetime as dt

from scheduling.planning.facts import Settings
from scheduling.planning.timing.batch_steps import bench_day_of
from scheduling.planning.timing.changes import late_steps
from scheduling.planning.timing.days import days_later, hours_said, whole_days
from scheduling.planning.timing.events import BatchEvents, CohortEvents
from scheduling.planning.timing.steps import BatchCalendar, CohortCalendar, Fit, Note, Step
from scheduling.planning.words import Words
from scheduling.planning.words import message as _
from scheduling.planning.words import message_of as ngettext

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
        "insert_comb": _(
            "Put it in today: its drones are ripe from %(today)s instead of %(planned)s. Or take the promise back.",
            today=ripe_if_today,
            planned=calendar.ripe_from,
        ),
        "look_for_eggs": _("Look today. Without eggs every day that follows is later than worked out here."),
        "count_capped": _("Count now, or count the drones at the colony: until then the forecast knows no number."),
        "mark_drones": _("Mark or confine them now. Those that left are not told from strangers any more."),
        "count_drones": _(
            "Count now: they are ripe from %(ripe)s, how many are left nobody knows.", ripe=calendar.ripe_from
        ),
    }
    late = [step for step in late_steps(calendar.steps, today) if step.key in lines]
    if any(step.key == "insert_comb" for step in late):
        late = late[:1]
    return tuple(_late_note(step, lines[step.key], today) for step in late)


def _late_note(step: Step, line: Words, today: dt.date) -> Note:
    return Note(
        key=f"late_{step.key}",
        text=ngettext(
            "Late: %(what)s. The last day was %(day)s, a day ago.",
            "Late: %(what)s. The last day was %(day)s, %(n)s days ago.",
            (today - step.latest).days,
            what=step.what.inside(),
            day=step.latest,
        ),
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


def _batch_lines(events: BatchEvents, calendar: BatchCalendar, settings: Settings, today: dt.date) -> dict[str, Words]:
    window = calendar.window
    first_bench = days_later(today, settings.graft_to_emergence_days + settings.virgin_age_first_days)
    best_bench = days_later(today, settings.graft_to_emergence_days + settings.virgin_age_planned_days)
    return {
        "confine_breeder": _("Graft the youngest larvae by eye, 12 to 24 hours old; their ages will differ more."),
        "graft": _(
            "From a graft today the first bench day is %(first)s, the best %(best)s.",
            first=first_bench,
            best=best_bench,
        ),
        "count_started": _("Count now; until then places can only be asked for by guess."),
        "cells_sealed": _("Write down the day they were sealed if somebody saw it; otherwise leave it."),
        "cage_cells": _cage_line(calendar.emergence_early_on > today),
        "report_emergence": _(
            "Look today and write down the day; until then every age counts from %(day)s.", day=calendar.emergence_on
        ),
        "excluder_alarm": _(
            "Look today. Virgins that may have flown are not for the bench before it is clear: "
            "eggs without insemination tell."
        ),
        "bench_time": _bench_line(window.fit(today), window.last_with_reason_on),
        "second_co2": _("Give it today: late is better than not at all, she only lays later."),
        "second_dose": _("Give it at the next bench day while she does not lay, or leave it and note a low dose."),
        "third_co2": _("Give it today if there are no eggs."),
        **dict.fromkeys(_EGG_CHECKS, _("Look today and write down what you find.")),
        "sealed_brood": _("Look today: worker brood in a solid pattern is the proof, drone brood means failure."),
        "decide": _("Decide now: keep her, treat her again or give her up; no sealed brood is on record so far."),
    }


def _cage_line(is_none_out: bool) -> Words:
    if is_none_out:
        return _("Cage them today. Look daily: the first virgin destroys the rest of the bar.")
    return _("Cage them today. Look now whether one has emerged: the first virgin destroys the rest of the bar.")


def _bench_line(fit: Fit, until: dt.date) -> Words:
    if fit is Fit.PAST_IT:
        return _(
            "The last day with a reason was %(until)s: record what was done, or close the batch and free its places.",
            until=until,
        )
    return _("Record what was done at the bench, or ask for another day: until %(until)s with a reason.", until=until)


def _co2_missed(events: BatchEvents, calendar: BatchCalendar, settings: Settings, today: dt.date) -> Note | None:
    """The first CO2 of a booked place is not on record although its best day is over and the bench still to come."""
    step, bench_on = calendar.step("first_co2"), bench_day_of(events)
    if step is None or step.is_done or bench_on is None or events.doses_at or not step.best < today <= bench_on:
        return None
    after_on = days_later(bench_on, whole_days(settings.co2_spacing_hours))
    return Note(
        key="co2_missed",
        text=_(
            "The first CO2 was due on %(day)s and is not on record; the bench is on %(bench)s.",
            day=step.best,
            bench=bench_on,
        ),
        help=_(
            "Write it down if it was given. Otherwise give it at least %(hours)s before the insemination, "
            "or the second one on %(after)s instead.",
            hours=hours_said(settings.co2_pair_min_hours),
            after=after_on,
        ),
        rows=("C02", "C03", "C17"),
    )
