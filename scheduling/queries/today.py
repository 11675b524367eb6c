"""Today: what needs the viewer, what comes next, by what they are."""

import datetime as dt
from dataclasses import dataclass
from zoneinfo import ZoneInfo

from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from accounts.access import Viewer
from accounts.models import Apiary, Cooperative
from breeding.models import Colony, EvaluationRun
from breeding.queries.ranking import latest_run
from scheduling.models import (
    BenchPlace,
    BenchSession,
    Booking,
    BookingState,
    DroneCall,
    DroneCohort,
    DroneSource,
    PlaceState,
    PlanState,
    QueenBatch,
    Season,
)
from scheduling.planning.timing import elapsed_hours
from scheduling.queries.balance import order_of, ripe_band
from scheduling.queries.batches import BatchView, batch_views, batches_of_viewer
from scheduling.queries.reminders import ShownReminder, open_reminders
from scheduling.queries.season import settings_of
from scheduling.queries.sessions import sessions_to_come
from scheduling.queries.sources import SourceView
from scheduling.queries.sources_at_hand import sources_at_hand
from scheduling.queries.words import day_words

MOST_COMING = 4  # reminders to come that are shown beside those that are due
DONE_WITH = {"inseminated", "laying", "closed", "past_it"}
LATE, DUE = "late", "due"
IN_FORCE = [PlanState.PUBLISHED, PlanState.CHANGED]


@dataclass(frozen=True)
class Countdown:
    """Whole days and hours that really elapse until the bench opens."""

    days: int
    hours: int


@dataclass(frozen=True)
class SourceNeed:
    source: DroneSource
    ripe: int
    needed: int

    @property
    def spare(self) -> int:
        return self.ripe - self.needed

    @property
    def spare_shown(self) -> int:
        return abs(self.spare)


@dataclass(frozen=True)
class NextSession:
    session: BenchSession
    countdown: Countdown | None
    placed: int
    asked: int
    needs: list[SourceNeed]


@dataclass(frozen=True)
class FirstStep:
    """One entry of the short list for newcomers."""

    key: str
    done: bool


def due_now(viewer: Viewer, *, now: dt.datetime) -> tuple[list[ShownReminder], list[ShownReminder]]:
    """(due or late, the next ones to come), each by time."""
    rows = open_reminders(viewer, now=now)
    pressing = [row for row in rows if row.state in (LATE, DUE)]
    return pressing, [row for row in rows if row.state not in (LATE, DUE)][:MOST_COMING]


def headline(pressing: list[ShownReminder], coming: list[ShownReminder], *, now: dt.datetime, zone: ZoneInfo) -> str:
    """“3 things need you, one is late”, or that nothing is due, and until when by the local clock."""
    late = sum(1 for row in pressing if row.state == LATE)
    if not pressing:
        ahead = [row.reminder.due_at.astimezone(zone) for row in coming if row.reminder.due_at > now]
        if not ahead:
            return _("Nothing is due")
        if ahead[0].date() == now.astimezone(zone).date():
            return _("Nothing due until %(hour)s today") % {"hour": f"{ahead[0]:%H:%M}"}
        return _("Nothing due until %(day)s") % {"day": day_words(ahead[0].date())}
    text = ngettext("%(n)d thing needs you", "%(n)d things need you", len(pressing)) % {"n": len(pressing)}
    if not late:
        return text
    if late == len(pressing) == 1:
        return _("1 thing needs you, and it is late")
    is_late = _("one is late") if late == 1 else ngettext("%(n)d is late", "%(n)d are late", late) % {"n": late}
    return _("%(things)s, %(late)s") % {"things": text, "late": is_late}


def queens_to_bench(viewer: Viewer, season: Season, *, today: dt.date) -> list[BatchView]:
    """My batches that still go to the bench, those that close first in front."""
    batches = batches_of_viewer(viewer, season).filter(closed_on__isnull=True)
    views = [view for view in batch_views(batches, season=season, today=today) if view.state not in DONE_WITH]
    return sorted(views, key=lambda view: (view.calendar.window.opens_on, view.batch.pk))


def next_session(viewer: Viewer, season: Season, *, today: dt.date, now: dt.datetime) -> NextSession | None:
    """The next bench day: for members the next with places of theirs, if they have any; else the next at all."""
    sessions = sessions_to_come(season, today=today).filter(ends_at__gt=now)
    mine = BenchPlace.objects.filter(booking__member__in=viewer.member_ids, state=PlaceState.HELD)
    session = sessions.filter(pk__in=mine.values("session")).first() if viewer.member_ids else None
    session = session or sessions.first()
    if session is None:
        return None
    return NextSession(
        session=session,
        countdown=_countdown(now, session.starts_at),
        placed=session.held,  # type: ignore[attr-defined]
        asked=session.held + session.asked,  # type: ignore[attr-defined]
        needs=_needs(session, season, today=today),
    )


def _countdown(now: dt.datetime, then: dt.datetime) -> Countdown | None:
    hours = int(elapsed_hours(now, then))
    return Countdown(*divmod(hours, 24)) if then > now else None


def _needs(session: BenchSession, season: Season, *, today: dt.date) -> list[SourceNeed]:
    """What the plan in force wants brought, against what is expected to be ripe then, as the drone balance has it."""
    calls = DroneCall.objects.filter(plan__season=season, plan__state__in=IN_FORCE, session__day__gte=today)
    needed: dict[int, int] = {}
    before: dict[int, list[DroneCall]] = {}
    for call in calls.select_related("session"):
        if call.session_id == session.pk:
            needed[call.source_id] = call.drones
        elif order_of(call.session) < order_of(session):
            before.setdefault(call.source_id, []).append(call)
    if not needed:
        return []
    at_hand = sources_at_hand(season, today=today, settings=settings_of(season))
    views = sorted((at_hand[pk] for pk in needed), key=lambda view: view.source.letter)
    return [
        SourceNeed(
            source=view.source,
            ripe=round(ripe_band(view, session.day, _still_called(view, before.get(view.source.pk, []))).mean),
            needed=view.still_called(session.pk, needed[view.source.pk]),
        )
        for view in views
    ]


def _still_called(view: SourceView, calls: list[DroneCall]) -> int:
    return sum(view.still_called(call.session_id, call.drones) for call in calls)


def first_steps(viewer: Viewer, season: Season | None) -> list[FirstStep]:
    """The newcomer's list; it ticks itself off, and is empty once everything is done."""
    if not viewer.is_member:
        return []
    mine = viewer.member_ids
    started = season is not None and (
        QueenBatch.objects.filter(season=season, member__in=mine).exists()
        or DroneCohort.objects.filter(source__season=season, source__member__in=mine).exists()
    )
    steps = [
        FirstStep("apiary", Apiary.objects.filter(member__in=mine).exists()),
        FirstStep("colony", Colony.objects.filter(apiary__member__in=mine).exists()),
        FirstStep("season", started),
    ]
    return [] if all(step.done for step in steps) else steps


@dataclass(frozen=True)
class Conflict:
    """Something the coordinator has to settle."""

    what: str
    source: DroneSource | None = None
    booking: Booking | None = None


def open_conflicts(season: Season) -> list[Conflict]:
    """Requests in the queue, places moved but not looked at, sources on hold that requests rely on."""
    waiting = Booking.objects.filter(season=season, state=BookingState.QUEUED).select_related("batch", "member")
    held = DroneSource.objects.filter(
        season=season, hold_since__isnull=False, withdrawn_at__isnull=True, accepted_by__booking__state__in=[
            BookingState.ASKED, BookingState.QUEUED, BookingState.OFFERED, BookingState.PLACED, BookingState.MOVED,
        ],
    ).distinct()  # fmt: skip
    conflicts = [
        Conflict(
            _("%(source)s is on health hold, and requests rely on it: %(reason)s")
            % {"source": source, "reason": source.hold_reason},
            source=source,
        )
        for source in held
    ]
    conflicts += [
        Conflict(
            _("%(member)s waits for %(n)d places for %(batch)s. %(why)s")
            % {"member": booking.member, "n": booking.queens, "batch": booking.batch, "why": booking.why},
            booking=booking,
        )
        for booking in waiting
    ]
    return conflicts


def last_evaluation(cooperative: Cooperative) -> EvaluationRun | None:
    return latest_run(cooperative)
