"""The standby list: whatever has become free is offered to the queue, in the order of the ledger, by itself.

A worker runs this whenever places may have become free. One transaction with the season locked; the places of an
offer are numbered and reserved in it, so two runs beside each other never offer the same place.
"""

import datetime as dt
from collections import defaultdict
from typing import Any
from zoneinfo import ZoneInfo

from django.db import transaction
from django.db.models import Exists, OuterRef
from django.urls import reverse

from accounts.models import JobState
from accounts.services.audit import audit_record
from accounts.services.jobs import JobHandle
from accounts.told import Moment
from accounts.told import told as _
from accounts.told import told_of as ngettext
from scheduling.models import (
    BatchQueen,
    BenchPlace,
    BenchSession,
    Booking,
    BookingState,
    Dose,
    Offer,
    OfferState,
    PlaceState,
    Plan,
    PlanPool,
    PlanPoolPart,
    QueenBatch,
    Season,
    SessionState,
)
from scheduling.planning.blocks import Place, Room, seated
from scheduling.planning.checker import check
from scheduling.planning.plan import Plan as PurePlan
from scheduling.planning.problem import Booking as PureBooking
from scheduling.planning.problem import Problem
from scheduling.planning.timing import elapsed_after
from scheduling.queries.ledger import ledger_order
from scheduling.queries.plan_rows import first_day_of, tenths_of_parts
from scheduling.queries.plans import plan_in_force
from scheduling.queries.problem import problem_of
from scheduling.queries.season import settings_of
from scheduling.queries.standing import standing_places, standing_plan
from scheduling.services.offers import OFFER_KINDS
from scheduling.services.places import FREE_STATES
from scheduling.services.plan_follow import plan_follow_places
from scheduling.services.reminder_rows import Wanted, reminders_set

#: The answer is due so long before the first CO2 would be: time to fetch gas and queens. Our choice. [h]
BEFORE_CO2_HOURS = 2
#: An offer shorter than this is no offer: such places are the coordinator's to give by hand. [h]
LEAST_HOURS = 1
#: A second telling so long before the end, where there is time for one. [h]
LAST_CALL_HOURS = 2
WAITING = [BookingState.QUEUED, BookingState.PLACED, BookingState.MOVED]


def standby_job(handle: JobHandle) -> dict[str, Any]:
    """The worker's part."""
    handle.report(JobState.WORKING, step=_("Looking who gets the places that became free"))
    season = Season.objects.select_related("cooperative").get(pk=handle.arguments["season"])
    return {"offers": len(standby_run(season, now=handle.now))}


def standby_run(season: Season, *, now: dt.datetime) -> list[Offer]:
    """Free what nobody can use, offer what is free, and let the plan in force follow. Twice offers nothing more."""
    with transaction.atomic():
        season = Season.objects.select_for_update(of=("self",)).select_related("cooperative").get(pk=season.pk)
        plan = plan_in_force(season)
        if plan is None or season.closed_at is not None:
            return []
        today = now.astimezone(ZoneInfo(season.cooperative.time_zone)).date()
        sessions = BenchSession.objects.select_for_update(of=("self",)).filter(season=season, day__gte=today)
        open_sessions = {session.pk: session for session in sessions.filter(state=SessionState.OPEN).order_by("pk")}
        _release_surplus(season)
        problem = problem_of(season, now=now)
        offers = _Standby(season, plan, problem, open_sessions, now=now).offered()
        plan_follow_places(plan, now=now, by=None, today=today)
    return offers


def _release_surplus(season: Season) -> None:
    """Places of a batch beyond its living virgins: the last ones without a queen become free."""
    held = BenchPlace.objects.filter(session__season=season, state=PlaceState.HELD)
    held = held.filter(session__state__in=[SessionState.OPEN, SessionState.RUNNING])
    batches = QueenBatch.objects.filter(season=season, virgins_emerged__isnull=False, closed_on__isnull=True)
    for batch in batches.filter(bookings__bench_places__in=held).distinct():
        mine = held.filter(booking__batch=batch, is_second=False)
        dosed = Exists(Dose.objects.filter(batch_queen=OuterRef("pk"), undone_at__isnull=True))
        alive = BatchQueen.objects.filter(batch=batch, state__in=FREE_STATES).exclude(dosed).count()
        surplus = mine.count() - alive
        if surplus > 0:
            spare = mine.filter(session__state=SessionState.OPEN, batch_queen__isnull=True)
            last = spare.order_by("-session__day", "-position").values_list("pk", flat=True)[:surplus]
            BenchPlace.objects.filter(pk__in=list(last)).update(state=PlaceState.FREED)


class _Standby:
    """One look through the queue."""

    def __init__(
        self, season: Season, plan: Plan, problem: Problem, sessions: dict[int, BenchSession], *, now: dt.datetime
    ) -> None:
        self.season, self.plan, self.problem, self.now = season, plan, problem, now
        first = first_day_of(problem)
        self.session_at = {(str(s.bench_id), (s.day - first).days): s for s in sessions.values()}
        self.standing = standing_plan(season, problem)
        self.settings = settings_of(season)
        self.refused: dict[int, set[int]] = defaultdict(set)
        over = Offer.objects.filter(booking__season=season, state__in=[OfferState.DECLINED, OfferState.LAPSED])
        for booking_id, session_id in over.values_list("booking_id", "session_id"):
            self.refused[booking_id].add(session_id)

    def offered(self) -> list[Offer]:
        known = {booking.id: booking for booking in self.problem.bookings}
        waiting = Booking.objects.select_for_update(of=("self",)).filter(
            season=self.season, state__in=WAITING, pk__in=[int(pk) for pk in known]
        )
        waiting = waiting.exclude(offers__state=OfferState.OPEN).select_related("batch", "member")
        offers = []
        for rank, booking in enumerate(ledger_order(self.season, waiting), start=1):
            offer = self._offer(booking, known[str(booking.pk)], rank)
            if offer is not None:
                offers.append(offer)
        return offers

    def _offer(self, booking: Booking, pure: PureBooking, rank: int) -> Offer | None:
        """Offer the place that takes most of the booking's queens without a place, if there is any."""
        missing = pure.queens - sum(p.queens for p in self.standing.assign if p.booking == pure.id)
        if missing < 1:
            return None
        for place, queens in self._places(booking, pure, missing):
            after = seated(self.problem, self.standing, pure, place, queens)
            if not self._breaks_more(after):
                self.standing = after
                return self._written(booking, pure, place, queens, rank)
        return None

    def _places(self, booking: Booking, pure: PureBooking, missing: int) -> list[tuple[Place, int]]:
        """Places that can be answered for in time and were not refused before, the best first."""
        room = Room(self.problem, self.standing)
        found = []
        for place in room.places(pure):
            session = self.session_at.get((place.bench, place.day))
            if session is None or session.pk in self.refused[booking.pk] or self._until(session) is None:
                continue
            queens = min(room.most(pure, place, missing), self._co2(pure, session, missing)[0])
            if queens:
                age = place.day - pure.emerge
                away = max(pure.best_min - age, age - pure.best_max, 0)
                order = (-queens, session.pk != booking.wished_session_id, away, place.day, place.bench)
                found.append((order, place.source or "", place, queens))
        return [(place, queens) for _, _, place, queens in sorted(found, key=lambda entry: entry[:2])]

    def _breaks_more(self, after: PurePlan) -> bool:
        """Whether any rule is more broken than it is already, by facts that changed since the plan."""
        before = {str(v).rsplit(":", 1)[0]: v.amount for v in check(self.problem, self.standing)}
        return any(v.amount > before.get(str(v).rsplit(":", 1)[0], 0) for v in check(self.problem, after))

    def _until(self, session: BenchSession) -> dt.datetime | None:
        """When the answer is due at the latest; None when there is no time left to offer it."""
        latest = elapsed_after(session.starts_at, -(self.settings.co2_spacing_hours + BEFORE_CO2_HOURS))
        until = min(elapsed_after(self.now, self.season.offer_hours), latest)
        return until if until >= elapsed_after(self.now, LEAST_HOURS) else None

    def _co2(self, pure: PureBooking, session: BenchSession, queens: int) -> tuple[int, int]:
        """How many queens can get their other CO2 treatment, and how many of them the day before.

        Those who have places keep their day: what members were told is not moved for somebody new.
        """
        day, bench = (session.day - first_day_of(self.problem)).days, str(session.bench_id)
        load: dict[int, int] = defaultdict(int)
        for place in standing_places(self.season).filter(session__bench=session.bench_id):
            on = (place.session.day - first_day_of(self.problem)).days
            load[on - 1 if place.co2_before else on + 1] += 1
        limits = {d.day: d.co2_capacity for b in self.problem.benches if b.id == bench for d in b.days}
        old_enough = day - 1 - pure.emerge >= self.problem.rules.co2_first_age
        before = max(0, limits.get(day - 1, 0) - load[day - 1]) if old_enough else 0
        after = max(0, limits.get(day + 1, 0) - load[day + 1])
        return min(queens, before + after), min(queens, before)

    def _written(self, booking: Booking, pure: PureBooking, place: Place, queens: int, rank: int) -> Offer:
        session = self.session_at[place.bench, place.day]
        until = self._until(session)
        assert until is not None
        pool = self._pool(place, session) if place.pool is not None else None
        offer = Offer.objects.create(
            booking=booking,
            session=session,
            source_id=int(place.source) if place.source else None,
            pool=pool,
            queens=queens,
            rank=rank,
            offered_at=self.now,
            expires_at=until,
        )
        before = self._co2(pure, session, queens)[1]
        given = BenchPlace.objects.filter(session=session).exclude(state=PlaceState.FREED)
        taken = set(given.values_list("position", flat=True))
        free = (number for number in range(1, len(taken) + queens + 1) if number not in taken)
        BenchPlace.objects.bulk_create(
            BenchPlace(
                session=session,
                position=position,
                plan=self.plan,
                booking=booking,
                offer=offer,
                source_id=offer.source_id,
                pool=pool,
                dose_tenths=booking.dose_tenths,
                co2_before=index < before,
                state=PlaceState.OFFERED,
            )
            for index, position in zip(range(queens), free, strict=False)
        )
        if booking.state == BookingState.QUEUED:
            booking.state, booking.version = BookingState.OFFERED, booking.version + 1
            booking.save(update_fields=["state", "version"])
        self._tell(offer, session)
        audit_record(
            booking,
            action="offer.make",
            by=None,
            now=self.now,
            cooperative=self.season.cooperative,
            after={"queens": queens, "session": str(session), "until": until, "rank": rank},
        )
        return offer

    def _pool(self, place: Place, session: BenchSession) -> PlanPool:
        """The pool joined, or the new one that `seated` has just put into the standing plan."""
        mixed = next(
            pool
            for pool in reversed(self.standing.pools)
            if (pool.bench, pool.day) == (place.bench, place.day) and (not place.pool or pool.id == place.pool)
        )
        row, _made = PlanPool.objects.get_or_create(plan=self.plan, name=mixed.id, defaults={"session": session})
        row.parts.all().delete()
        PlanPoolPart.objects.bulk_create(
            PlanPoolPart(pool=row, source_id=source, volume_tenths=tenths)
            for source, tenths in tenths_of_parts({int(part.source): part.ul10 for part in mixed.parts}).items()
        )
        return row

    def _tell(self, offer: Offer, session: BenchSession) -> None:
        """At once, and once more before the time is up where there is time for that."""
        zone = ZoneInfo(self.season.cooperative.time_zone)
        title = ngettext(
            "%(n)d place for %(batch)s on %(day)s: do you take it?",
            "%(n)d places for %(batch)s on %(day)s: do you take them?",
            offer.queens,
        ) % {"n": offer.queens, "batch": offer.booking.batch, "day": session.day}
        why = _("At %(bench)s with drones of %(source)s. Answer until %(until)s; then it goes to the next.") % {
            "bench": session.bench,
            "source": offer.source or _("several sources"),
            "until": Moment(offer.expires_at, str(zone)),
        }
        last = elapsed_after(offer.expires_at, -LAST_CALL_HOURS)
        moments = {"offer": self.now}
        if last >= elapsed_after(self.now, LAST_CALL_HOURS):
            moments["last"] = last
        wanted = [
            Wanted(
                kind=OFFER_KINDS[0],
                stage=stage,
                member=offer.booking.member,
                due_at=due_at,
                useful_until=offer.expires_at,
                title=title,
                why=why,
                link=reverse("scheduling:booking", args=[offer.booking_id]),
            )
            for stage, due_at in moments.items()
        ]
        cooperative = self.season.cooperative
        reminders_set(offer, wanted, cooperative=cooperative, kinds=OFFER_KINDS, now=self.now)
