"""Telling keepers which drones to bring, and that fewer, more or none are needed than they were told."""

import datetime as dt
from collections import defaultdict
from collections.abc import Iterable

from django.urls import reverse

from accounts.models import Person
from accounts.told import Moment
from accounts.told import told as _
from scheduling.models import DroneCall, DroneSource, Plan, Reminder, SessionState
from scheduling.queries.calls import catch_step, catch_words
from scheduling.queries.change_words import zone_of_season
from scheduling.queries.season import settings_of
from scheduling.services.reminder_rows import Wall, Wanted, reminders_set

CALL_KINDS = ["catch_drones"]
CALL_NEWS_KINDS = ["drones_off"]
CATCH_AT = dt.time(8, 0)


def call_reminders(plan: Plan, called_before: Iterable[DroneCall], *, now: dt.datetime, by: Person | None) -> None:
    """One reminder a source and session: its subject is the source, so that a new plan moves it.

    `called_before`: what was called for until now, as it was. Who was told of a call hears when its number changes,
    and when nothing is needed any more.
    """
    wanted: dict[int, list[Wanted]] = defaultdict(list)
    news: dict[int, list[Wanted]] = defaultdict(list)
    before = {(call.source_id, call.session_id): call for call in called_before}
    sources = {call.source_id: call.source for call in before.values()}
    open_calls = {
        (call.source_id, call.session_id): call
        for call in plan.drone_calls.select_related("source__member", "session__bench")
        if call.session.state == SessionState.OPEN
    }
    for key, call in open_calls.items():
        sources[call.source_id] = call.source
        old = before.get(key)
        was_told = old is not None and old.drones != call.drones and _was_told(old)
        wanted[call.source_id].append(_bring(plan, call, instead_of=old.drones if old and was_told else None))
    for key, old in before.items():
        if key not in open_calls and _is_ahead(old, now) and _was_told(old):
            news[old.source_id].append(_off(plan, old, now=now))
    cooperative = plan.season.cooperative
    for source_id, source in sources.items():
        reminders_set(source, wanted[source_id], cooperative=cooperative, kinds=CALL_KINDS, now=now, by=by)
        if news[source_id]:
            reminders_set(source, news[source_id], cooperative=cooperative, kinds=CALL_NEWS_KINDS, now=now, by=by)


def _stage(call: DroneCall) -> str:
    return f"s{call.session_id}n{call.drones}"


def _bring(plan: Plan, call: DroneCall, *, instead_of: int | None) -> Wanted:
    zone, settings = zone_of_season(plan.season), settings_of(plan.season)
    step = catch_step(call.session, zone, settings)
    wall = Wall(step.best, CATCH_AT, str(zone))
    about = {"drones": call.drones, "source": call.source, "before": instead_of}
    title = _("Bring %(drones)d drones of %(source)s") % about
    if instead_of is not None:
        title = _("Bring %(drones)d drones of %(source)s, in place of %(before)d") % about
    return Wanted(
        kind="catch_drones",
        stage=_stage(call),
        member=call.source.member,
        due_at=wall.moment,
        wall=wall,
        useful_until=call.session.ends_at,
        title=title,
        why=_("To %(bench)s on %(when)s. Catch them %(catch)s, and keep them warm, with food and bees.")
        % {
            "bench": call.session.bench,
            "when": Moment(call.session.starts_at, str(zone)),
            "catch": catch_words(call.session, zone, settings),
        },
        link=_link(call.source),
    )


def _off(plan: Plan, call: DroneCall, *, now: dt.datetime) -> Wanted:
    when = Moment(call.session.starts_at, str(zone_of_season(plan.season)))
    return Wanted(
        kind="drones_off",
        stage=_stage(call),
        member=call.source.member,
        due_at=now,
        useful_until=max(call.session.ends_at, now),
        title=_("No drones of %(source)s are needed on %(when)s any more") % {"source": call.source, "when": when},
        why=_("Until now %(drones)d were to come to %(bench)s. Drones caught already can go back to their colony.")
        % {"drones": call.drones, "bench": call.session.bench},
        link=_link(call.source),
    )


def _link(source: DroneSource) -> str:
    return reverse("scheduling:source", args=[source.pk])


def _is_ahead(call: DroneCall, now: dt.datetime) -> bool:
    return call.session.ends_at > now and call.session.state in {SessionState.OPEN, SessionState.CANCELLED}


def _was_told(call: DroneCall) -> bool:
    return Reminder.objects.filter(
        subject_type=DroneSource._meta.label_lower,
        subject_id=call.source_id,
        kind="catch_drones",
        stage=_stage(call),
        told_at__isnull=False,
    ).exists()
