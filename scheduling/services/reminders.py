"""Reminder rows of batches and cohorts: written and moved by whatever sets a due moment.

Each service that changes an observed fact calls one of these inside its own transaction, so that the fact and
what follows from it stand or fall together. What a published plan makes due is in `plan_reminders`.
"""

import datetime as dt
from collections import defaultdict
from dataclasses import replace

from django.urls import reverse
from django.utils.translation import gettext as _

from accounts.models import Member, Person
from scheduling.models import Co2Treatment, Dose, DroneCohort, QueenBatch
from scheduling.planning.facts import Settings
from scheduling.planning.timing import BatchEvents, Step, batch_calendar, cohort_calendar, local_to_utc
from scheduling.queries.batches import batches_with_facts, events_of_batch, zone_name_of_batch
from scheduling.queries.season import settings_of
from scheduling.queries.sources import events_of_cohort, zone_name_of_source
from scheduling.reminder_kinds import KINDS
from scheduling.services.reminder_rows import Wanted, reminders_set

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


def reminders_refresh_batch(batch: QueenBatch, *, now: dt.datetime, by: Person | None = None) -> None:
    """Bring the reminders of a batch in line with its timing: missing ones are added, moved ones superseded.

    Ended reminders stay as they are. Calling it twice changes nothing.
    """
    batch = batches_with_facts(QueenBatch.objects.filter(pk=batch.pk)).get()
    settings, events = settings_of(batch.season), events_of_batch(batch)
    link, zone = reverse("scheduling:batch", args=[batch.pk]), zone_name_of_batch(batch)
    wanted: list[Wanted] = []
    done: set[str] = set()
    if batch.closed_on is None and _has_calendar(events):
        for step in batch_calendar(events, settings).steps:
            if step.key not in BEFORE_BENCH:
                continue
            if step.is_done:
                done.add(step.key)
            elif not events.doses_at:
                wanted.append(_wanted(step, subject=str(batch), member=batch.member, zone=zone, link=link))
        for session_id, of_session in _after_each_session(batch, events).items():
            wanted += _after_bench(batch, session_id, of_session, settings, link=link)
    reminders_set(
        batch,
        wanted,
        cooperative=batch.season.cooperative,
        kinds=[*BEFORE_BENCH, *AFTER_BENCH],
        done_kinds=done,
        now=now,
        by=by,
    )


def _after_bench(
    batch: QueenBatch, session_id: int, events: BatchEvents, settings: Settings, *, link: str
) -> list[Wanted]:
    """What is to be done after one bench session. Done steps of one session do not end those of another."""
    zone = zone_name_of_batch(batch)
    wanted = []
    for step in batch_calendar(events, settings).steps:
        kind, _sep, number = step.key.rpartition("_") if step.key.startswith("egg_check") else (step.key, "", "")
        if kind in AFTER_BENCH and not step.is_done:
            wanted.append(
                _wanted(
                    step,
                    kind=kind,
                    stage=f"s{session_id}" + (f"n{number}" if number else ""),
                    subject=str(batch),
                    member=batch.member,
                    zone=zone,
                    link=link,
                )
            )
    return wanted


def _after_each_session(batch: QueenBatch, events: BatchEvents) -> dict[int, BatchEvents]:
    """The batch's events as the queens of each bench session had them.

    Day 0 and the follow-up CO2 count from the real end of the last queen's gas at the bench, else from her dose.
    """
    doses = Dose.objects.filter(batch_queen__batch=batch, undone_at__isnull=True)
    queens: dict[int, set[int]] = defaultdict(set)
    ends: dict[int, dt.datetime] = {}
    for session_id, queen_id, given_at in doses.values_list("session_id", "batch_queen_id", "given_at"):
        queens[session_id].add(queen_id)
        ends[session_id] = max(ends.get(session_id, given_at), given_at)
    gas = Co2Treatment.objects.filter(batch_queen__batch=batch, undone_at__isnull=True, ended_at__isnull=False)
    others: dict[int, list[dt.datetime]] = defaultdict(list)
    for session_id, queen_id, with_insemination, ended_at in gas.values_list(
        "session_id", "batch_queen_id", "with_insemination", "ended_at"
    ):
        assert ended_at is not None
        for dosed_in, members in queens.items():
            if queen_id not in members:
                continue
            if with_insemination and session_id == dosed_in:
                ends[dosed_in] = max(ends[dosed_in], ended_at)
            elif not with_insemination:
                others[dosed_in].append(ended_at)
    at_home = [batch.first_co2_at] if batch.first_co2_at else []
    return {
        session_id: replace(
            events, doses_at=(ends[session_id],), co2_at=tuple(sorted({*others[session_id], *at_home})), bench_at=None
        )
        for session_id in queens
    }


def reminders_refresh_cohort(cohort: DroneCohort, *, now: dt.datetime, by: Person | None = None) -> None:
    """The same for the counting and confining moments of a drone cohort."""
    source = cohort.source
    zone = zone_name_of_source(source)
    cohort = DroneCohort.objects.get(pk=cohort.pk)
    wanted: list[Wanted] = []
    done: set[str] = set()
    if cohort.ended_on is None and source.withdrawn_at is None:
        for step in cohort_calendar(events_of_cohort(cohort, zone=zone), settings_of(source.season)).steps:
            if step.key not in COHORT_KINDS:
                continue
            if step.is_done:
                done.add(step.key)
            else:
                wanted.append(
                    _wanted(
                        step,
                        subject=str(cohort),
                        member=source.member,
                        zone=zone,
                        link=reverse("scheduling:cohort", args=[cohort.pk]),
                    )
                )
    reminders_set(
        cohort,
        wanted,
        cooperative=source.season.cooperative,
        kinds=COHORT_KINDS,
        done_kinds=done,
        now=now,
        by=by,
    )


def _has_calendar(events: BatchEvents) -> bool:
    known = (events.grafted_on, events.planned_graft_on, events.wanted_bench_on)
    return bool(events.emergences) or any(day is not None for day in known)


def _wanted(
    step: Step, *, subject: str, member: Member, zone: str, link: str, kind: str = "", stage: str = "due"
) -> Wanted:
    kind = kind or step.key
    due_at = step.best_at or local_to_utc(step.best, TOLD_AT, zone)
    last_day = max(step.latest, step.hard_limit or step.latest)
    useful_until = max(step.latest_at or due_at, local_to_utc(last_day, DAY_ENDS, zone))
    return Wanted(
        kind=kind,
        stage=stage,
        member=member,
        due_at=due_at,
        useful_until=useful_until,
        title=_("%(what)s: %(subject)s") % {"what": KINDS[kind].label, "subject": subject},
        why=step.why,
        link=link,
    )
