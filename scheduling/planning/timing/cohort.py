"""The calendar of a drone cohort, forward from the last thing that was observed."""

import datetime as dt
from functools import lru_cache

from scheduling.planning.facts import Settings
from scheduling.planning.timing.days import days_later, days_said
from scheduling.planning.timing.events import CohortEvents, EventError
from scheduling.planning.timing.orders import order_notes
from scheduling.planning.timing.steps import Basis, CohortCalendar, Step, Who
from scheduling.planning.words import message as _


@lru_cache(maxsize=4096)  # the same dates are asked for with every page that shows them
def cohort_calendar(events: CohortEvents, settings: Settings) -> CohortCalendar:
    """Return every date of a cohort.

    A comb is laid over `comb_lag_days`. The latest stage that was observed fixes the first drones, the last follow
    by that spread; earlier stages keep the day on which they were seen.

    Raises
    ------
    EventError
        Nothing is known, not even a promise.
    """
    basis, first_egg = _first_egg(events, settings)
    last_egg = days_later(first_egg, settings.comb_lag_days)
    sealed, development = settings.drone_sealed_days, settings.drone_development_days
    laid_from = events.laid_on or first_egg
    capped_from = events.capped_on or days_later(first_egg, sealed)
    emerging_from, emerging_to = days_later(first_egg, development), days_later(last_egg, development)
    preferred_to = days_later(emerging_from, settings.drone_age_preferred_last_days)
    last_on = days_later(emerging_from, settings.drone_age_last_days)
    dates = {
        "laid_from": laid_from,
        "laid_to": max(laid_from, last_egg),
        "capped_from": capped_from,
        "capped_to": max(capped_from, days_later(last_egg, sealed)),
        "emerging_from": emerging_from,
        "emerging_to": emerging_to,
        "first_ripe_on": days_later(emerging_from, settings.drone_age_first_days),
        "emergency_from": days_later(emerging_to, settings.drone_age_emergency_days),
        "ripe_from": days_later(emerging_to, settings.drone_age_first_days),
        "planned_from": days_later(emerging_to, settings.drone_age_planned_days),
        "preferred_to": preferred_to,
        "last_on": last_on,
        "spent_from": days_later(last_on, 1),
    }
    comb_on = events.comb_in_on or events.promised_comb_on
    return CohortCalendar(
        basis=basis,
        comb_on=comb_on,
        steps=_steps(events, comb_on, dates, settings),
        notes=order_notes(events),
        **dates,
    )


def _first_egg(events: CohortEvents, settings: Settings) -> tuple[Basis, dt.date]:
    stages = (
        (Basis.EMERGED, events.emerged_on, settings.drone_development_days),
        (Basis.CAPPED, events.capped_on, settings.drone_sealed_days),
        (Basis.LAID, events.laid_on, 0),
        (Basis.COMB_IN, events.comb_in_on, 0),
        (Basis.PROMISED, events.promised_comb_on, 0),
    )
    for basis, day, age in stages:
        if day is not None:
            return basis, days_later(day, -age)
    raise EventError("promised_comb_on", _("Nothing is known of this comb. Enter the day it goes in."))


def _steps(
    events: CohortEvents, comb_on: dt.date | None, dates: dict[str, dt.date], settings: Settings
) -> tuple[Step, ...]:
    steps: list[Step] = []
    if comb_on is not None:
        steps.append(
            Step(
                key="insert_comb",
                what=_("Put the drone comb in"),
                who=Who.DRONE_REARER,
                earliest=comb_on,
                best=comb_on,
                latest=comb_on,
                done_on=events.comb_in_on,
                why=_("Every later day of these drones follows from this one."),
                rows=("R01", "R14", "R30"),
            )
        )
    steps.append(
        Step(
            key="look_for_eggs",
            what=_("Look for the first eggs in the drone comb"),
            who=Who.DRONE_REARER,
            earliest=min(comb_on or dates["laid_from"], dates["laid_to"]),
            best=dates["laid_to"],
            latest=dates["laid_to"],
            done_on=events.laid_on or events.capped_on or events.emerged_on,
            why=_("A comb laid late makes drones that are late by as many days."),
            rows=("R30",),
        )
    )
    steps += [
        Step(
            key="count_capped",
            what=_("Count the capped drone brood"),
            who=Who.DRONE_REARER,
            earliest=dates["capped_from"],
            best=dates["capped_to"],
            latest=max(dates["capped_to"], days_later(dates["emerging_from"], -1)),
            hard_limit=max(dates["capped_to"], days_later(dates["emerging_to"], -1)),
            done_on=events.capped_counted_on,
            why=_("The first number the forecast can trust, with weeks left to find other drones."),
            rows=("R01", "R02"),
        ),
        Step(
            key="mark_drones",
            what=_("Mark or confine the emerging drones"),
            who=Who.DRONE_REARER,
            earliest=dates["emerging_from"],
            best=dates["emerging_from"],
            latest=dates["emerging_to"],
            done_on=events.marked_on,
            why=_("Drones drift; unmarked ones cannot be told from strangers."),
            rows=("R01", "R27"),
        ),
        Step(
            key="count_drones",
            what=_("Count the drones again"),
            who=Who.DRONE_REARER,
            earliest=days_later(dates["emerging_to"], 1),
            best=dates["emergency_from"],
            latest=dates["ripe_from"],
            hard_limit=max(dates["ripe_from"], dates["last_on"]),
            done_on=_after(events.last_counted_on, dates["emerging_to"]),
            why=_("Losses while they ripen are high and unknown: a fresh count is worth more than any forecast."),
            rows=("R14", "R27"),
        ),
    ]
    if dates["ripe_from"] <= dates["last_on"]:
        steps.append(_ripe_step(dates, settings))
    return tuple(steps)


def _ripe_step(dates: dict[str, dt.date], settings: Settings) -> Step:
    ripe_from, last_on = dates["ripe_from"], dates["last_on"]
    preferred_to = min(max(dates["preferred_to"], ripe_from), last_on)
    return Step(
        key="drones_ripe",
        what=_("Drones ripe: the days they may be brought to the bench"),
        who=Who.DRONE_REARER,
        earliest=ripe_from,
        best=min(dates["planned_from"], preferred_to),
        latest=preferred_to,
        hard_limit=last_on,
        is_event=True,
        why=_(
            "They also want %(days)s of flying weather; after poor weather a day or more later is better. "
            "Older drones give less, and their semen clogs more often.",
            days=days_said(settings.drone_flying_days),
        ),
        rows=("R06", "R07", "R09", "R12", "R13", "R14", "R35"),
    )


def _after(day: dt.date | None, since: dt.date) -> dt.date | None:
    return day if day is not None and day > since else None
