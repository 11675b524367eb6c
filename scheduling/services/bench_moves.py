"""Queens who get no semen at this session move to another one, or back into the queue; whose they are is told."""

import datetime as dt
from collections.abc import Mapping
from zoneinfo import ZoneInfo

from django.db import transaction
from django.db.models import Max
from django.urls import reverse

from accounts.models import Person
from accounts.refusals import Refusal
from accounts.services.audit import audit_record
from accounts.told import Moment, one_after_the_other
from accounts.told import told as _
from scheduling.models import BenchPlace, BenchSession, Booking, PlaceState, Season, SessionState
from scheduling.queries.plans import plan_in_force
from scheduling.queries.sessions import places_left
from scheduling.services.bench_guard import locked_running
from scheduling.services.offers import standby_ask
from scheduling.services.plan_follow import plan_follow_places
from scheduling.services.reminder_rows import Wanted, reminders_set

MOVED = "place_moved"


def bench_move(
    session: BenchSession,
    *,
    moves: Mapping[BenchPlace, BenchSession | None],
    reason: str,
    by: Person,
    now: dt.datetime,
) -> list[BenchPlace]:
    """Free places here and give their queens places at the sessions named; None: back into the queue.

    One transaction: all moves or none. Asking for the same again changes nothing. Returns the places that were freed.
    """
    if not reason.strip():
        raise Refusal(_("Say why, in a few words."), field="reason", rule="says_why")
    with transaction.atomic():
        season = Season.objects.select_for_update(of=("self",)).select_related("cooperative").get(pk=session.season_id)
        session = locked_running(session)
        targets = {target.pk for target in moves.values() if target is not None}
        locked = {
            target.pk: target
            for target in BenchSession.objects.select_for_update(of=("self",))
            .filter(pk__in=targets, season=season)
            .select_related("bench", "season__cooperative")
            .order_by("pk")
        }
        freed = []
        for place, target in sorted(moves.items(), key=lambda move: move[0].position):
            fresh = BenchPlace.objects.select_related("booking__batch__member", "batch_queen__queen").get(pk=place.pk)
            if fresh.state == PlaceState.FREED:
                continue
            _move(session, fresh, locked.get(target.pk) if target else None, target, now=now, by=by)
            freed.append(fresh)
        if not freed:
            return []
        plan = plan_in_force(season)
        if plan is not None:
            today = now.astimezone(ZoneInfo(season.cooperative.time_zone)).date()
            plan_follow_places(plan, now=now, by=by, today=today)
        for booking in {place.booking_id: place.booking for place in freed}.values():
            _tell(booking, session, [place for place in freed if place.booking_id == booking.pk], moves, now=now, by=by)
        standby_ask(season, now=now)
        audit_record(
            session,
            action="bench.move",
            by=by,
            now=now,
            cooperative=season.cooperative,
            after={str(place.batch_queen or place.position): str(moves[place] or _("queue")) for place in freed},
            note=reason.strip()[:200],
        )
    return freed


def _move(
    session: BenchSession,
    place: BenchPlace,
    target: BenchSession | None,
    wanted: BenchSession | None,
    *,
    now: dt.datetime,
    by: Person,
) -> None:
    if place.session_id != session.pk or place.state != PlaceState.HELD:
        raise Refusal(
            _("%(place)s has been dealt with.") % {"place": place.batch_queen or place.position}, field="moves"
        )
    if wanted is not None and (target is None or target.state != SessionState.OPEN or target.day <= session.day):
        raise Refusal(
            _("%(session)s takes no queens any more.") % {"session": wanted}, field="moves", rule="no_session"
        )
    if target is not None and places_left(target) < 1:
        raise Refusal(_("%(session)s has no place left.") % {"session": target}, rule="session_full")
    queen = place.batch_queen
    place.state = PlaceState.FREED
    place.save(update_fields=["state"])
    if target is None:
        return
    last = BenchPlace.objects.filter(session=target).exclude(state=PlaceState.FREED).aggregate(last=Max("position"))
    BenchPlace.objects.create(
        session=target,
        position=(last["last"] or 0) + 1,
        plan_id=place.plan_id,
        booking_id=place.booking_id,
        batch_queen=queen,
        source_id=place.source_id,
        pool_id=place.pool_id,
        dose_tenths=place.dose_tenths,
        co2_before=place.co2_before,
    )


def _tell(
    booking: Booking,
    session: BenchSession,
    freed: list[BenchPlace],
    moves: Mapping[BenchPlace, BenchSession | None],
    *,
    now: dt.datetime,
    by: Person,
) -> None:
    zone = ZoneInfo(session.season.cooperative.time_zone)
    lines = []
    for place in freed:
        target = moves[place]
        queen = place.batch_queen or booking.batch
        if target is None:
            lines.append(_("%(queen)s waits in the queue for another place.") % {"queen": queen})
        else:
            lines.append(
                _("%(queen)s moves to %(when)s.") % {"queen": queen, "when": Moment(target.starts_at, str(zone))}
            )
    reminders_set(
        booking,
        [
            Wanted(
                kind=MOVED,
                stage=f"b{session.pk}",
                member=booking.member,
                due_at=now,
                title=_("The drones ran out: %(batch)s") % {"batch": booking.batch},
                why=one_after_the_other(lines),
                link=reverse("scheduling:booking", args=[booking.pk]),
            )
        ],
        cooperative=session.season.cooperative,
        kinds=[MOVED],
        now=now,
        by=by,
    )
