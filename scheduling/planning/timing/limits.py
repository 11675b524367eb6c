"""After which day a step is too late whatever the reason; and the steps that have no such day, each with why not.

A step has a hard limit from the facts (its rows say which), or it comes by itself, or it stands here.
"""

from collections.abc import Mapping

from scheduling.planning.timing.steps import Step
from scheduling.planning.words import Words
from scheduling.planning.words import message as _

_NO_BENCH_DAY = _("No last day: without a bench day there is nothing to be late for.")
_A_DATE = _("A date to know, nothing to be done.")
WITHOUT_LIMIT: Mapping[str, Words] = {
    "graft": _NO_BENCH_DAY,
    "count_started": _("No last day: the count moves no date."),
    "cells_sealed": _("No last day: they seal by themselves; the day is worth writing down whenever it is known."),
    "report_emergence": _("No last day: every age counts from it, so it is written down however late."),
    "excluder_alarm": _("No last day: whether she may have flown has to be found out however late it is."),
    "second_co2": _("No last day: late is better than not at all, she only lays later."),
    "excluder_off": _("No last day: it does no harm to a queen that lays."),
    "sealed_brood": _("No last day: brood can be read at any later look as well."),
    "insert_comb": _("No last day: a later comb makes later drones, and so does every day that follows from it."),
    "look_for_eggs": _("No last day: the first eggs are worth writing down whenever they were seen."),
    "mark_drones": _("No last day: those still there can be marked or confined."),
    "close_session": _("No last day: what was given has to be written down however late."),
    "own_progeny": _("No last day: scores count as hers from then on."),
    "programme_start": _("No last day: a programme begun late serves the later bench days."),
    "earliest_comb": _A_DATE,
    "latest_comb": _A_DATE,
    "emergency_comb": _A_DATE,
    "emergence_alarm": _A_DATE,
    "window_opens": _A_DATE,
    "last_normal": _A_DATE,
    "last_with_reason": _A_DATE,
}


def limit_said(step: Step) -> Words | None:
    """Return in words until when a step can be done at all, or why there is no such day; None when it just happens."""
    if step.hard_limit is not None:
        return _("Too late after %(day)s.", day=step.hard_limit)
    return None if step.is_event else WITHOUT_LIMIT[step.key]
