"""What a published plan makes due: CO2, bench time, drones to bring; and the news to exactly those it changes."""

import datetime as dt
from collections import defaultdict
from decimal import Decimal
from zoneinfo import ZoneInfo

from django.db.models import Q
from django.urls import reverse

from accounts.models import Person
from accounts.told import Moment, and_told
from accounts.told import told as _
from accounts.told import told_of as ngettext
from scheduling.models import (
    BenchSession,
    Booking,
    Placement,
    Plan,
    Reminder,
    ReminderState,
    Season,
    SessionState,
)
from scheduling.planning.facts import Settings
from scheduling.planning.timing import elapsed_after
from scheduling.queries.change_words import change_words, zone_of_season
from scheduling.queries.plans import BookingChange, booking_changes, plan_in_force
from scheduling.queries.season import settings_of
from scheduling.services.call_reminders import CALL_KINDS, call_reminders
from scheduling.services.reminder_rows import LIVE, Wanted, reminders_set

BOOKING_KINDS = ["first_co2", "bench_time"]
NEWS_KINDS = ["place_given", "place_moved", "place_lost"]
BEFORE_BENCH_HOURS = -2


def reminders_of_plan(
    plan: Plan, changes: list[BookingChange], *, before: Plan | None, now: dt.datetime, by: Person | None
) -> None:
    """Write, move and end the reminders of a plan, in the transaction that publishes it."""
    settings = settings_of(plan.season)
    for change in changes:
        booking_reminders(plan, change, settings, now=now, by=by)
        _news(plan, change, now=now, by=by)
    called = before.drone_calls.select_related("source__member", "session__bench") if before is not None else []
    call_reminders(plan, called, now=now, by=by)


def reminders_refresh_plan(season: Season, *, now: dt.datetime, by: Person | None = None) -> None:
    """First CO2, bench time and catching drones of the plan in force, after a figure of the season changed."""
    plan = plan_in_force(season)
    if plan is None:
        return
    settings = settings_of(season)
    for change in booking_changes(plan, None):
        booking_reminders(plan, change, settings, now=now, by=by)
    call_reminders(plan, [], now=now, by=by)


def _zone(plan: Plan) -> ZoneInfo:
    return zone_of_season(plan.season)


def booking_reminders(
    plan: Plan, change: BookingChange, settings: Settings, *, now: dt.datetime, by: Person | None
) -> None:
    """First CO2 and bench time of a booking, as its placements now are."""
    booking = change.booking
    open_placements = [p for p in change.new if p.session.state == SessionState.OPEN]
    running = [p for p in change.new if p.session.state == SessionState.RUNNING]
    if running and not open_placements:
        return
    wanted, recorded = [], set()
    for session, placements in _by_session(open_placements).items():
        queens = sum(placement.queens for placement in placements)
        when = Moment(session.starts_at, str(_zone(plan)))
        names = and_told(sorted({str(p.source or p.pool) for p in placements}))
        link = reverse("scheduling:booking", args=[booking.pk])
        before_count = sum(placement.co2_before for placement in placements)
        if before_count and booking.batch.first_co2_at is not None:
            recorded.add(("first_co2", f"s{session.pk}"))
        elif before_count:
            wanted.append(
                Wanted(
                    kind="first_co2",
                    stage=f"s{session.pk}",
                    member=booking.member,
                    due_at=elapsed_after(session.starts_at, -settings.co2_spacing_hours),
                    useful_until=session.starts_at,
                    title=ngettext(
                        "First CO2 for %(batch)s, %(queens)d queen",
                        "First CO2 for %(batch)s, %(queens)d queens",
                        before_count,
                    )
                    % {"batch": booking.batch, "queens": before_count},
                    why=_(
                        "%(hours)s hours before the bench on %(when)s. CO2 only where the air is fresh: it is heavier "
                        "than air and takes your breath unnoticed in a closed room."
                    )
                    % {"hours": Decimal(f"{settings.co2_spacing_hours:g}"), "when": when},
                    link=reverse("scheduling:batch_co2", args=[booking.batch_id]),
                )
            )
        wanted.append(
            Wanted(
                kind="bench_time",
                stage=f"s{session.pk}",
                member=booking.member,
                due_at=elapsed_after(session.starts_at, BEFORE_BENCH_HOURS),
                useful_until=session.ends_at,
                title=ngettext(
                    "Bench on %(when)s: bring %(queens)d queen of %(batch)s",
                    "Bench on %(when)s: bring %(queens)d queens of %(batch)s",
                    queens,
                )
                % {"when": when, "queens": queens, "batch": booking.batch},
                why=_("At %(bench)s, with drones of %(sources)s. Caged, marked, and kept warm and out of the sun.")
                % {"bench": session.bench, "sources": names},
                link=link,
            )
        )
    reminders_set(
        booking,
        wanted,
        cooperative=plan.season.cooperative,
        kinds=BOOKING_KINDS,
        recorded=recorded,
        now=now,
        by=by,
    )


def _by_session(placements: list[Placement]) -> dict[BenchSession, list[Placement]]:
    by_session: dict[BenchSession, list[Placement]] = defaultdict(list)
    for placement in placements:
        by_session[placement.session].append(placement)
    return by_session


def _news(plan: Plan, change: BookingChange, *, now: dt.datetime, by: Person | None) -> None:
    """Tell the member, only when something changes for this booking."""
    if change.kind == "kept":
        return
    booking = change.booking
    days = and_told(sorted({p.session.day for p in change.new}))
    titles = {
        "given": _("%(batch)s has %(queens)d places on %(days)s"),
        "moved": _("%(batch)s was moved: now %(queens)d places on %(days)s. Please look."),
        "lost": _("%(batch)s has no place in plan %(number)d. Please look."),
    }
    why = _("Plan %(number)d. %(change)s") % {
        "number": plan.number or 0,
        "change": change_words(change, _zone(plan)),
    }
    reminders_set(
        booking,
        [
            Wanted(
                kind=f"place_{change.kind}",
                stage=f"plan{plan.number}",
                member=booking.member,
                due_at=now,
                title=titles[change.kind]
                % {"batch": booking.batch, "queens": change.queens_new, "days": days, "number": plan.number or 0},
                why=why,
                link=reverse("scheduling:booking", args=[booking.pk]),
            )
        ],
        cooperative=plan.season.cooperative,
        kinds=NEWS_KINDS,
        now=now,
        by=by,
    )


def reminders_end_at_bench(session: BenchSession, *, now: dt.datetime, by: Person | None) -> int:
    """Work at the bench has begun: nobody needs to be told of coming there any more. Returns how many ended."""
    live = Reminder.objects.filter(
        cooperative=session.season.cooperative_id, kind__in=[*BOOKING_KINDS, *CALL_KINDS], state__in=LIVE
    )
    ended = live.filter(Q(stage=f"s{session.pk}") | Q(stage__startswith=f"s{session.pk}n"))
    return ended.update(state=ReminderState.DONE, ended_at=now, ended_by=by)


def reminders_end_for(booking: Booking, *, now: dt.datetime, by: Person | None) -> None:
    """A withdrawn booking reminds nobody any more."""
    reminders_set(
        booking, [], cooperative=booking.season.cooperative, kinds=[*BOOKING_KINDS, *NEWS_KINDS], now=now, by=by
    )
