"""What stands in a calendar feed: reminders, bench days, and the windows in which queens and drones are of use.

No telephone number, no address and no name of a person goes into a feed: it is copied to machines we do not know.
"""

import datetime as dt
from collections import defaultdict
from dataclasses import dataclass, field

from django.db.models import Q
from django.urls import reverse
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from accounts.access import Viewer
from accounts.models import ReminderLead
from scheduling.models import (
    Bench,
    BenchPlace,
    BenchSession,
    DroneCall,
    DroneCohort,
    DroneSource,
    PlaceState,
    QueenBatch,
    Reminder,
    ReminderState,
    Season,
    SessionState,
)
from scheduling.planning.timing import CohortCalendar, cohort_calendar, days_later, elapsed_after, local_day
from scheduling.queries.batches import batch_views
from scheduling.queries.plans import IN_FORCE
from scheduling.queries.season import season_in_force, settings_of
from scheduling.queries.sources import events_of_cohort, sources_with_facts, zone_name_of_source
from scheduling.queries.tellings import zone_of_reminder
from scheduling.queries.words import and_words, day_words, volume_words
from scheduling.reminder_kinds import KINDS

MINUTES_PER_HOUR = 60
MORNING_MIN = 8 * MINUTES_PER_HOUR  # of whole days, counted from midnight
EVENING_BEFORE_MIN = -6 * MINUTES_PER_HOUR
MOMENT_HOURS = 1  # how long an event of a single moment is drawn
PAST_DAYS = 30
SHOWN_AS_SESSION = {"bench_time"}
STANDING = [PlaceState.HELD, PlaceState.DONE]


@dataclass(frozen=True)
class FeedEvent:
    """One event.

    key : what it is about; the same when its date moves.
    start, end : two days or two UTC moments; `end` is not part of it.
    alarms_min : before (negative) or after its start. [min]
    busy : whether it takes the time of whoever has it.
    """

    key: str
    title: str
    text: str
    link: str
    start: dt.date | dt.datetime
    end: dt.date | dt.datetime
    alarms_min: list[int] = field(default_factory=list)
    busy: bool = False


def events_of_person(viewer: Viewer, *, now: dt.datetime) -> list[FeedEvent]:
    """Everything that concerns the person's own queens, drones and places, from a month ago on."""
    events = [*_reminder_events(viewer, now=now), *_place_events(viewer, now=now)]
    today = local_day(now, viewer.cooperative.time_zone)
    season = season_in_force(viewer.cooperative, today=today)
    if season is not None:
        events += [*_batch_windows(viewer, season, today=today), *_cohort_windows(viewer, season, now=now)]
    return sorted(events, key=lambda event: event.key)


def events_of_bench(bench: Bench, *, now: dt.datetime) -> list[FeedEvent]:
    """The days of one bench, with how many queens and drones come."""
    sessions = BenchSession.objects.filter(bench=bench, ends_at__gte=_since(now)).exclude(state=SessionState.CANCELLED)
    held: dict[int, list[BenchPlace]] = defaultdict(list)
    places = BenchPlace.objects.filter(session__in=sessions, state__in=STANDING).order_by("position")
    for place in places.select_related("source", "pool", "booking__batch"):
        held[place.session_id].append(place)
    calls: dict[int, list[str]] = defaultdict(list)
    for call in DroneCall.objects.filter(session__in=sessions, plan__state__in=IN_FORCE).select_related("source"):
        calls[call.session_id].append(
            _("%(drones)d drones of %(source)s") % {"drones": call.drones, "source": call.source}
        )
    return [_session_event(session, held[session.pk], calls[session.pk]) for session in sessions.order_by("pk")]


def _since(now: dt.datetime) -> dt.datetime:
    return elapsed_after(now, -24 * PAST_DAYS)


def _session_event(session: BenchSession, places: list[BenchPlace], calls: list[str]) -> FeedEvent:
    lines = [_("%(taken)d of %(places)d places are taken.") % {"taken": len(places), "places": session.places}]
    if places:
        lines.append(_("Doses: %(volume)s.") % {"volume": volume_words(sum(place.dose_tenths for place in places))})
    if calls:
        lines.append(_("To come: %(calls)s.") % {"calls": and_words(sorted(calls))})
    lines += _queen_lines(places)
    return FeedEvent(
        key=f"session-{session.pk}",
        title=ngettext("Bench, %(n)d queen", "Bench, %(n)d queens", len(places)) % {"n": len(places)},
        text="\n".join(lines),
        link=reverse("scheduling:bench_session", args=[session.pk]),
        start=session.starts_at,
        end=session.ends_at,
        alarms_min=[-12 * MINUTES_PER_HOUR, -2 * MINUTES_PER_HOUR],
        busy=True,
    )


def _queen_lines(places: list[BenchPlace]) -> list[str]:
    """One line for each batch and what it gets, in the order of the bench."""
    together: dict[tuple[str, str, int], int] = defaultdict(int)
    for place in places:
        together[str(place.booking.batch), str(place.source or place.pool), place.dose_tenths] += 1
    return [
        ngettext(
            "%(batch)s: %(n)d queen, %(volume)s of %(source)s",
            "%(batch)s: %(n)d queens, %(volume)s each of %(source)s",
            n,
        )
        % {"batch": batch, "n": n, "volume": volume_words(dose), "source": source}
        for (batch, source, dose), n in together.items()
    ]


def _reminder_events(viewer: Viewer, *, now: dt.datetime) -> list[FeedEvent]:
    """One event for each thing to do, as its newest row has it. News is told, not put into a calendar."""
    leads = dict(ReminderLead.objects.filter(person=viewer.person).values_list("kind", "minutes"))
    own = Q(person=viewer.person) | Q(person__isnull=True, member__in=viewer.member_ids)
    rows = (
        Reminder.objects.filter(own, cooperative=viewer.cooperative, useful_until__gte=_since(now))
        .filter(state__in=[ReminderState.WANTED, ReminderState.EXPIRED, ReminderState.DONE])
        .exclude(kind__in=[*SHOWN_AS_SESSION, *(kind.key for kind in KINDS.values() if kind.is_news)])
        .select_related("cooperative")
        .order_by("created_at", "pk")
    )
    newest = {_reminder_key(row): row for row in rows}
    return [_reminder_event(key, row, leads.get(row.kind)) for key, row in newest.items()]


def _reminder_key(row: Reminder) -> str:
    subject = row.subject_type.rpartition(".")[2]
    return f"{row.kind}-{subject}-{row.subject_id}-{row.stage}"


def _reminder_event(key: str, row: Reminder, lead_min: int | None) -> FeedEvent:
    done = row.state == ReminderState.DONE
    start: dt.date | dt.datetime
    end: dt.date | dt.datetime
    if row.wall_date is not None:
        last = local_day(row.useful_until, zone_of_reminder(row))
        start, end = row.wall_date, days_later(max(last, row.wall_date), 1)
        alarms = [MORNING_MIN, *([EVENING_BEFORE_MIN] if KINDS[row.kind].critical else [])]
        alarms += [MORNING_MIN - lead_min] if lead_min else []
    else:
        start, end = row.due_at, elapsed_after(row.due_at, MOMENT_HOURS)
        alarms = [0, *([-30, -2 * MINUTES_PER_HOUR] if KINDS[row.kind].critical else [])]
        alarms += [-lead_min] if lead_min else []
    return FeedEvent(
        key=key,
        title=_("Done: %(title)s") % {"title": row.title} if done else str(row.title),
        text=str(row.why),
        link=row.link,
        start=start,
        end=end,
        alarms_min=[] if done else sorted(set(alarms)),
    )


def _place_events(viewer: Viewer, *, now: dt.datetime) -> list[FeedEvent]:
    """The viewer's places at the bench, one event for each booking and day."""
    places = (
        BenchPlace.objects.filter(
            booking__member__in=viewer.member_ids, state__in=STANDING, session__ends_at__gte=_since(now)
        )
        .exclude(session__state=SessionState.CANCELLED)
        .select_related("session__bench", "booking__batch", "source", "pool")
    )
    grouped: dict[tuple[int, int], list[BenchPlace]] = defaultdict(list)
    for place in places:
        grouped[place.booking_id, place.session_id].append(place)
    return [_place_event(group) for group in grouped.values()]


def _place_event(places: list[BenchPlace]) -> FeedEvent:
    session, booking = places[0].session, places[0].booking
    words = ngettext(
        "%(bench)s: bring %(n)d queen of %(batch)s", "%(bench)s: bring %(n)d queens of %(batch)s", len(places)
    )
    return FeedEvent(
        key=f"places-{booking.pk}-{session.pk}",
        title=words % {"bench": session.bench, "n": len(places), "batch": booking.batch},
        text=_("Drones of %(sources)s. Caged, marked, and kept warm and out of the sun.")
        % {"sources": and_words(sorted({str(place.source or place.pool) for place in places}))},
        link=reverse("scheduling:booking", args=[booking.pk]),
        start=session.starts_at,
        end=session.ends_at,
        alarms_min=[-2 * MINUTES_PER_HOUR],
        busy=True,
    )


def _batch_windows(viewer: Viewer, season: Season, *, today: dt.date) -> list[FeedEvent]:
    """The days on which queens of a batch may be inseminated, until they are."""
    batches = QueenBatch.objects.filter(season=season, member__in=viewer.member_ids, closed_on__isnull=True)
    events = []
    for view in batch_views(batches, season=season, today=today):
        window = view.calendar.window
        if view.events.doses_at or window.opens_on > window.last_on:
            continue
        events.append(
            FeedEvent(
                key=f"window-{view.batch.pk}",
                title=_("%(batch)s: ready for the bench") % {"batch": view.batch},
                text=_("Normal days for all of its queens; best from %(first)s to %(last)s.")
                % {"first": day_words(window.best_from), "last": day_words(window.best_to)},
                link=reverse("scheduling:batch", args=[view.batch.pk]),
                start=window.opens_on,
                end=days_later(window.last_on, 1),
            )
        )
    return events


def _cohort_windows(viewer: Viewer, season: Season, *, now: dt.datetime) -> list[FeedEvent]:
    """When drones of one's own sources emerge, and when they are ripe, with what is asked of them."""
    settings, events = settings_of(season), []
    own = DroneSource.objects.filter(season=season, member__in=viewer.member_ids, withdrawn_at__isnull=True)
    calls: dict[int, list[DroneCall]] = defaultdict(list)
    asked = DroneCall.objects.filter(source__in=own, plan__state__in=IN_FORCE, session__state=SessionState.OPEN)
    for call in asked.select_related("session__bench").order_by("session__starts_at"):
        calls[call.source_id].append(call)
    for source in sources_with_facts(own):
        zone = zone_name_of_source(source)
        since = local_day(_since(now), zone)
        for cohort in source.cohorts.all():
            if cohort.ended_on is None:
                calendar = cohort_calendar(events_of_cohort(cohort, zone=zone), settings)
                events += _cohort_events(cohort, calendar, calls[source.pk], since=since)
    return events


def _cohort_events(
    cohort: DroneCohort, calendar: CohortCalendar, calls: list[DroneCall], *, since: dt.date
) -> list[FeedEvent]:
    link = reverse("scheduling:cohort", args=[cohort.pk])
    windows = [
        (
            "emerging",
            _("%(cohort)s: drones emerge") % {"cohort": cohort},
            [_("Mark or confine them: unmarked drones cannot be told from strangers.")],
            calendar.emerging_from,
            calendar.emerging_to,
        ),
        (
            "ripe",
            _("%(cohort)s: drones ripe") % {"cohort": cohort},
            [
                _("All of them from the first of these days on; best until %(day)s.")
                % {"day": day_words(min(calendar.preferred_to, calendar.last_on))},
                *(
                    _("Asked: %(drones)d drones to %(bench)s on %(day)s.")
                    % {"drones": call.drones, "bench": call.session.bench, "day": day_words(call.session.day)}
                    for call in calls
                    if calendar.ripe_from <= call.session.day <= calendar.last_on
                ),
            ],
            calendar.ripe_from,
            calendar.last_on,
        ),
    ]
    return [
        FeedEvent(
            key=f"{name}-{cohort.pk}",
            title=title,
            text="\n".join(lines),
            link=link,
            start=first,
            end=days_later(last, 1),
        )
        for name, title, lines, first, last in windows
        if first <= last and last >= since
    ]
