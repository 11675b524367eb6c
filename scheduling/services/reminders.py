"""Reminder rows of batches and cohorts: written and moved by whatever sets a due moment.

Each service that changes an observed fact calls one of these inside its own transaction, so that the fact and
what follows from it stand or fall together. What a published plan makes due is in `plan_reminders`.
"""

import datetime as dt
from dataclasses import dataclass

from django.urls import reverse

from accounts.models import Member, Person
from accounts.told import told as _
from scheduling.models import DroneCohort, DroneSource, QueenBatch
from scheduling.planning.facts import Settings
from scheduling.planning.timing import BatchEvents, Step, batch_calendar, cohort_calendar, local_to_utc
from scheduling.queries.batches import batches_with_facts
from scheduling.queries.events import AfterSession, events_after_sessions, events_of_batch, zone_name_of_batch
from scheduling.queries.season import settings_of
from scheduling.queries.sources import events_of_cohort, zone_name_of_source
from scheduling.queries.words import told_words
from scheduling.reminder_kinds import KINDS
from scheduling.services.reminder_rows import DUE, Wall, Wanted, reminders_set
from scheduling.services.reminder_rows import Step as Recorded

TOLD_AT = dt.time(8, 0)  # whole-day steps are told in the morning of their day
DAY_ENDS = dt.time(23, 59)

BEFORE_BENCH = [
    "confine_breeder",
    "graft",
    "count_started",
    "cage_cells",
    "report_emergence",
    "excluder_on",
    "excluder_alarm",
]
AFTER_BENCH = ["keep_still", "second_co2", "third_co2", "egg_check", "sealed_brood", "excluder_off", "decide"]
COHORT_KINDS = ["insert_comb", "count_capped", "mark_drones", "count_drones"]


@dataclass(frozen=True)
class Due:
    """What the reminders of a batch or a cohort should be, and what of them is on record. Nothing is written."""

    wanted: list[Wanted]
    recorded: set[Recorded]


def reminders_refresh_batch(batch: QueenBatch, *, now: dt.datetime, by: Person | None = None) -> None:
    """Bring the reminders of a batch in line with its timing: missing ones are added, moved ones superseded.

    Ended reminders stay as they are. Calling it twice changes nothing.
    """
    [batch] = batches_with_facts(QueenBatch.objects.filter(pk=batch.pk))
    due = batch_due(batch, settings_of(batch.season))
    reminders_set(
        batch,
        due.wanted,
        cooperative=batch.season.cooperative,
        kinds=[*BEFORE_BENCH, *AFTER_BENCH],
        recorded=due.recorded,
        now=now,
        by=by,
    )


def batch_due(batch: QueenBatch, settings: Settings) -> Due:
    """Return what a batch should remind of by these figures. `batch` is a row of `batches_with_facts`."""
    events, zone = events_of_batch(batch), zone_name_of_batch(batch)
    link = reverse("scheduling:batch", args=[batch.pk])
    due = Due([], set())
    if batch.closed_on is not None or not _has_calendar(events):
        return due
    for step in batch_calendar(events, settings).steps:
        if step.key not in BEFORE_BENCH:
            continue
        if step.is_done:
            due.recorded.add((step.key, DUE))
        elif not events.doses_at:
            due.wanted.append(_wanted(step, subject=str(batch), member=batch.member, zone=zone, link=link))
    for after in events_after_sessions(batch, events):
        _after_bench(due, batch, after, settings, link=link)
    return due


def _after_bench(due: Due, batch: QueenBatch, after: AfterSession, settings: Settings, *, link: str) -> None:
    """What is to be done after one bench session. Done steps of one session do not end those of another."""
    zone = zone_name_of_batch(batch)
    for step in batch_calendar(after.events, settings).steps:
        kind, _sep, number = step.key.rpartition("_") if step.key.startswith("egg_check") else (step.key, "", "")
        if kind not in AFTER_BENCH or (kind == "excluder_off" and after.events.eggs_seen_on is None):
            continue
        stage = f"s{after.session_id}" + (f"n{number}" if number else "")
        if step.is_done:
            due.recorded.add((kind, stage))
            continue
        due.wanted.append(
            _wanted(step, kind=kind, stage=stage, subject=str(batch), member=batch.member, zone=zone, link=link)
        )


def reminders_refresh_cohort(cohort: DroneCohort, *, now: dt.datetime, by: Person | None = None) -> None:
    """The same for the counting and confining moments of a drone cohort."""
    source = cohort.source
    due = cohort_due(DroneCohort.objects.get(pk=cohort.pk), source, settings_of(source.season))
    reminders_set(
        cohort,
        due.wanted,
        cooperative=source.season.cooperative,
        kinds=COHORT_KINDS,
        recorded=due.recorded,
        now=now,
        by=by,
    )


def cohort_due(cohort: DroneCohort, source: DroneSource, settings: Settings) -> Due:
    """Return what a cohort should remind of by these figures."""
    zone, due = zone_name_of_source(source), Due([], set())
    if cohort.ended_on is not None or source.withdrawn_at is not None:
        return due
    link = reverse("scheduling:cohort", args=[cohort.pk])
    for step in cohort_calendar(events_of_cohort(cohort, zone=zone), settings).steps:
        if step.key not in COHORT_KINDS:
            continue
        if step.is_done:
            due.recorded.add((step.key, DUE))
        else:
            due.wanted.append(_wanted(step, subject=str(cohort), member=source.member, zone=zone, link=link))
    return due


def _has_calendar(events: BatchEvents) -> bool:
    known = (events.grafted_on, events.planned_graft_on, events.wanted_bench_on)
    return bool(events.emergences) or any(day is not None for day in known)


def _wanted(
    step: Step, *, subject: str, member: Member, zone: str, link: str, kind: str = "", stage: str = DUE
) -> Wanted:
    kind = kind or step.key
    wall = None if step.best_at else Wall(step.best, TOLD_AT, zone)
    due_at = step.best_at or local_to_utc(step.best, TOLD_AT, zone)
    last_day = max(step.latest, step.hard_limit or step.latest)
    useful_until = max(step.latest_at or due_at, local_to_utc(last_day, DAY_ENDS, zone))
    return Wanted(
        kind=kind,
        stage=stage,
        member=member,
        due_at=due_at,
        wall=wall,
        useful_until=useful_until,
        title=_("%(what)s: %(subject)s") % {"what": KINDS[kind].label, "subject": subject},
        why=told_words(step.why),
        link=link,
    )
