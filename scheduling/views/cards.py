"""From views of batches and cohorts to what their cards show: headlines, steps with what can be recorded, findings."""

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass

from django.urls import reverse
from django.utils.translation import gettext as _

from scheduling.planning.timing import BatchState, CohortState, Note, Step, cohort_late_notes, limit_said
from scheduling.queries.batches import BatchView, QueenView
from scheduling.queries.bookings import Misfit
from scheduling.queries.sources import CohortView, SourceView
from scheduling.queries.words import day_words, words_of
from scheduling.services.cohorts import OBSERVED

# Steps of the calendar that members record, and the observation they record with them.
RECORDED_AS = {
    "confine_breeder": "confined",
    "graft": "grafted",
    "count_started": "started",
    "cells_sealed": "sealed",
    "cage_cells": "caged",
    "report_emergence": "emerged",
    "excluder_on": "excluder",
    "egg_check_1": "eggs",
}
CELL_STEPS = {"confine_breeder", "count_started", "cells_sealed", "cage_cells"}
BATCH_STEPS = {*CELL_STEPS, "graft"}
LOOKED_AT = {"egg_check_1", "egg_check_2", "egg_check_3", "sealed_brood", "decide"}
COHORT_RECORDED_AS = {"insert_comb": "comb_in_on", "look_for_eggs": "laid_on", "mark_drones": "marked_on"}
COHORT_COUNTED = {"count_capped", "count_drones"}
# The bookings say these of each booked day, with a day that would fit.
SAID_BY_BOOKINGS = {"too_young", "past_it"}


@dataclass(frozen=True)
class StepRow:
    """A step with its state in the words of reminders, and where it is recorded."""

    step: Step
    state: str
    record: str = ""

    @property
    def day(self) -> dt.date:
        return self.step.done_on or self.step.best

    @property
    def limit(self) -> str:
        """Until when it can be done at all; why there is no such day is said where that day would have been missed."""
        step = self.step
        if step.is_done or step.is_event or (step.hard_limit is None and self.state != "late"):
            return ""
        said = limit_said(step)
        return words_of(said) if said else ""

    @property
    def latest(self) -> dt.date | None:
        """Said only where it differs and still matters."""
        step = self.step
        return step.latest if step.done_on is None and step.latest != step.best else None


@dataclass(frozen=True)
class Finding:
    """Something that needs a look: what is so, what to do."""

    what: str
    help: str
    tone: str = "wait"
    link: str = ""


@dataclass(frozen=True)
class ObservedRow:
    said: str
    day: dt.date | None
    link: str


def batch_headline(view: BatchView) -> str:
    batch, calendar = view.batch, view.calendar
    sentences = {
        BatchState.PLANNED: (_("%(batch)s is to be grafted on %(day)s"), calendar.grafted_on),
        BatchState.GRAFTED: (_("%(batch)s emerges on %(day)s"), calendar.emergence_on),
        BatchState.STARTED: (_("%(batch)s emerges on %(day)s"), calendar.emergence_on),
        BatchState.CAPPED: (_("%(batch)s emerges on %(day)s"), calendar.emergence_on),
        BatchState.EMERGED: (_("%(batch)s is ready from %(day)s on"), calendar.window.opens_on),
        BatchState.COMING_READY: (_("%(batch)s is ready from %(day)s on"), calendar.window.opens_on),
        BatchState.READY: (_("%(batch)s is ready until %(day)s"), calendar.window.last_on),
        BatchState.LAST_DAYS: (_("Last days of %(batch)s: until %(day)s"), calendar.window.last_with_reason_on),
        BatchState.PAST_IT: (_("%(batch)s is past it since %(day)s"), calendar.window.blocked_from),
        BatchState.INSEMINATED: (_("%(batch)s is inseminated"), None),
        BatchState.LAYING: (_("%(batch)s is laying"), None),
        BatchState.CLOSED: (_("%(batch)s is closed"), None),
    }
    text, day = sentences[view.state]
    return text % {"batch": batch, "day": day_words(day) if day else ""}


def batch_findings(view: BatchView, misfits: Sequence[Misfit]) -> list[Finding]:
    """What no longer fits a booked place first, then what the calendar notices of the batch itself."""
    found = [
        Finding(misfit.what, misfit.help, "stop", reverse("scheduling:booking", args=[misfit.booking.pk]))
        for misfit in misfits
    ]
    notes = [note for note in view.calendar.notes if not (misfits and note.key in SAID_BY_BOOKINGS)]
    return found + _findings((*notes, *view.late))


def _findings(notes: Sequence[Note]) -> list[Finding]:
    return [Finding(words_of(note.text), words_of(note.help)) for note in notes]


def queen_headline(view: QueenView) -> str:
    """What comes next for her, else how she stands."""
    step = view.next_step
    if step is None:
        return _("Nothing is due for %(queen)s") % {"queen": view.queen}
    return _("%(queen)s: %(what)s on %(day)s") % {
        "queen": view.queen,
        "what": words_of(step.what.inside()),
        "day": day_words(step.best),
    }


def queen_findings(view: QueenView) -> list[Finding]:
    return [] if view.is_away else _findings((*view.calendar.notes, *view.late))


def queen_step_rows(view: QueenView, *, may: bool) -> list[StepRow]:
    """From her emergence on: what went before is the batch's. What is found in her nuc has a page of its own."""
    today = view.of.today
    look = reverse("scheduling:check_add", args=[view.queen.pk]) if may and can_be_looked_at(view) else ""
    return [
        StepRow(
            step,
            "let_go" if view.is_away and not step.is_done else step_state(step, today),
            look if step.key in LOOKED_AT and (step.is_done or step.earliest <= today) else "",
        )
        for step in view.steps
        if step.key not in BATCH_STEPS and not (step.key == "excluder_alarm" and (step.is_done or today < step.best))
    ]


def can_be_looked_at(view: QueenView) -> bool:
    """She got semen and is still there: eggs and brood are looked for."""
    return not view.is_away and bool(view.queen.doses.all()) and view.events.closed_on is None


def cohort_findings(view: CohortView, of_source: Sequence[Note]) -> list[Finding]:
    """What no longer fits a called day first, then what is late of this comb."""
    late = cohort_late_notes(view.events, view.calendar, view.settings, view.today)
    return source_findings(of_source) + _findings((*view.calendar.notes, *late))


def source_findings(notes: Sequence[Note]) -> list[Finding]:
    """Days its drones are called to on which none of them is ripe. The calls stay as they are."""
    return [Finding(words_of(note.text), words_of(note.help), "stop") for note in notes]


def step_rows(view: BatchView, *, may: bool) -> list[StepRow]:
    """Alarms are not steps to do, so a step that was done silences its alarm."""
    return [
        StepRow(step, _batch_step_state(view, step), _batch_record(view, step) if may else "")
        for step in view.steps
        if not (step.key == "excluder_alarm" and (step.is_done or view.today < step.best))
    ]


def step_state(step: Step, today: dt.date) -> str:
    if step.is_done:
        return "done"
    if step.is_late(today):
        return "late"
    if step.is_event and today > max(step.latest, step.hard_limit or step.latest):
        return "done"
    return "due" if step.earliest <= today else "coming"


def _batch_step_state(view: BatchView, step: Step) -> str:
    """Once the virgins are out, what was not written down about their cells is no longer waited for."""
    state = step_state(step, view.today)
    return "let_go" if state != "done" and step.key in CELL_STEPS and view.events.emergences else state


def _batch_record(view: BatchView, step: Step) -> str:
    if step.key == "first_co2" and view.batch.closed_on is None and view.events.emergences:
        return reverse("scheduling:batch_co2", args=[view.batch.pk])
    observation = RECORDED_AS.get(step.key)
    if observation is None or view.batch.closed_on is not None or (not step.is_done and step.earliest > view.today):
        return ""
    return reverse("scheduling:batch_step", args=[view.batch.pk, observation])


def source_headline(view: SourceView) -> str:
    source = view.source
    if view.state == "withdrawn":
        return _("%(source)s is withdrawn") % {"source": source}
    if view.state == "on_hold":
        return _("%(source)s is on health hold") % {"source": source}
    if view.is_ripe_on(view.today):
        return _("%(source)s has ripe drones today") % {"source": source}
    first = view.next_ripe_from(view.today)
    if first is None:
        return _("%(source)s has no drones on the way") % {"source": source}
    return _("%(source)s has ripe drones from %(day)s on") % {"source": source, "day": day_words(first)}


def cohort_headline(view: CohortView) -> str:
    cohort, calendar = view.cohort, view.calendar
    if view.state == CohortState.SPENT:
        return _("%(cohort)s is spent") % {"cohort": cohort}
    if view.state in (CohortState.RIPE, CohortState.FADING):
        return _("%(cohort)s is ripe until %(day)s") % {"cohort": cohort, "day": day_words(calendar.last_on)}
    return _("%(cohort)s turns ripe on %(day)s") % {"cohort": cohort, "day": day_words(calendar.ripe_from)}


def cohort_step_rows(view: CohortView, *, may: bool) -> list[StepRow]:
    return [
        StepRow(step, step_state(step, view.today), _cohort_record(view, step) if may else "")
        for step in view.calendar.steps
    ]


def _cohort_record(view: CohortView, step: Step) -> str:
    if not step.is_done and step.earliest > view.today:
        return ""
    if step.key in COHORT_COUNTED:
        return reverse("scheduling:cohort_count", args=[view.cohort.pk])
    field = COHORT_RECORDED_AS.get(step.key)
    return reverse("scheduling:cohort_step", args=[view.cohort.pk, field]) if field else ""


def observed_rows(view: CohortView) -> list[ObservedRow]:
    """Every date of a cohort that somebody sees, with where it is recorded."""
    return [
        ObservedRow(
            str(said),
            getattr(view.cohort, field),
            reverse("scheduling:cohort_step", args=[view.cohort.pk, field]),
        )
        for field, said in OBSERVED.items()
    ]
