"""Offers of freed places: taken, let pass, lapsed, replaced by the next plan. Who gets one is in `standby`.

While an offer is open its places are numbered and reserved; so nothing here can give a place twice: the answer only
changes the state of places that nobody else can have.
"""

import datetime as dt
from zoneinfo import ZoneInfo

from django.db import transaction
from django.db.models import Q, QuerySet

from accounts.models import Person
from accounts.refusals import Refusal
from accounts.services.audit import audit_record
from accounts.services.jobs import job_ask
from accounts.told import Said
from accounts.told import told as _
from accounts.told import told_of as ngettext
from scheduling.models import BenchPlace, Booking, BookingState, DroneSource, Offer, OfferState, PlaceState, Season
from scheduling.queries.plans import plan_in_force
from scheduling.queries.words import day_words
from scheduling.services.places import places_assign_queens
from scheduling.services.plan_follow import plan_follow_places
from scheduling.services.reminder_rows import reminders_set

OFFER_KINDS = ["place_offered"]
JOB = "standby"


def standby_ask(season: Season, *, now: dt.datetime) -> None:
    """Places may have become free: let a worker look who in the queue gets them. Nothing to do without a plan."""
    if season.closed_at is None and plan_in_force(season) is not None:
        job_ask(JOB, cooperative=season.cooperative, by=None, now=now, arguments={"season": season.pk})


def offer_accept(offer: Offer, *, by: Person, now: dt.datetime) -> Offer:
    """Take the places. Twice is once; after its time, or once it was let pass, it is refused."""
    with transaction.atomic():
        offer, season = _locked(offer)
        if offer.state == OfferState.ACCEPTED:
            return offer
        _refuse_over(offer, now=now)
        _refuse_blocked(offer)
        taken = BenchPlace.objects.filter(offer=offer, state=PlaceState.OFFERED).update(state=PlaceState.HELD)
        if taken != offer.queens:
            raise RuntimeError(f"offer {offer.pk} has {taken} places reserved, not {offer.queens}")
        _end(offer, OfferState.ACCEPTED, by=by, now=now)
        booking = _locked_booking(offer)
        held = BenchPlace.objects.filter(booking=booking, state__in=[PlaceState.HELD, PlaceState.DONE]).count()
        why = _still_missing(booking.queens - held)
        _set_booking(booking, BookingState.PLACED, why)
        places_assign_queens(booking.batch_id)
        plan = plan_in_force(season)
        if plan is not None:
            plan_follow_places(plan, now=now, by=by, today=_today(season, now))
        _record(offer, "offer.accept", by=by, now=now)
    return offer


def offer_decline(offer: Offer, *, by: Person, now: dt.datetime) -> Offer:
    """Let the places pass: they go to the next, and the booking keeps its standing for others."""
    with transaction.atomic():
        offer, season = _locked(offer)
        if offer.state == OfferState.DECLINED:
            return offer
        _refuse_over(offer, now=now)
        _give_back(offer, OfferState.DECLINED, by=by, now=now)
        _record(offer, "offer.decline", by=by, now=now)
        standby_ask(season, now=now)
    return offer


def offers_lapse(*, now: dt.datetime, limit: int = 100) -> int:
    """Offers whose time is up go to the next. Any number of copies may run this; returns how many lapsed here."""
    overdue = Offer.objects.filter(state=OfferState.OPEN, expires_at__lte=now).order_by("expires_at", "pk")
    lapsed = 0
    for pk in overdue.values_list("pk", flat=True)[:limit]:
        with transaction.atomic():
            offer, season = _locked(Offer(pk=pk))
            if offer.state != OfferState.OPEN:
                continue
            _give_back(offer, OfferState.LAPSED, by=None, now=now)
            _record(offer, "offer.lapse", by=None, now=now)
            standby_ask(season, now=now)
            lapsed += 1
    return lapsed


def offers_replace(season: Season, *, now: dt.datetime, by: Person | None) -> None:
    """The next plan decides: what was still offered is offered no more. Runs inside the publishing transaction."""
    for offer in _open_offers().filter(booking__season=season).order_by("pk"):
        _give_back(offer, OfferState.REPLACED, by=by, now=now)


def offers_end_for(booking: Booking, *, now: dt.datetime, by: Person | None) -> None:
    """A booking that is withdrawn is offered nothing any more. Runs inside the caller's transaction."""
    for offer in _open_offers().filter(booking=booking):
        _give_back(offer, OfferState.DECLINED, by=by, now=now)


def _open_offers() -> QuerySet[Offer]:
    offers = Offer.objects.select_for_update(of=("self",)).filter(state=OfferState.OPEN)
    return offers.select_related("booking__season__cooperative", "booking__batch", "session")


def _locked(offer: Offer) -> tuple[Offer, Season]:
    """Season first, as publishing and the standby run do: so an answer and a new plan never cross."""
    season_id = Offer.objects.values_list("booking__season_id", flat=True).get(pk=offer.pk)
    season = Season.objects.select_for_update(of=("self",)).select_related("cooperative").get(pk=season_id)
    fresh = (
        Offer.objects.select_for_update(of=("self",))
        .select_related("booking__season__cooperative", "booking__batch", "booking__member", "session__bench")
        .get(pk=offer.pk)
    )
    return fresh, season


def _refuse_over(offer: Offer, *, now: dt.datetime) -> None:
    day = day_words(offer.session.day)
    if offer.state == OfferState.OPEN and now < offer.expires_at:
        return
    texts = {
        OfferState.ACCEPTED: _("The places on %(day)s are yours already. Withdraw the request to give them back."),
        OfferState.DECLINED: _("The places on %(day)s were let pass and went to the next."),
        OfferState.REPLACED: _("A new plan was published meanwhile; it says whether these queens have places."),
    }
    text = texts.get(OfferState(offer.state), _("The time to answer is over; the places on %(day)s went to the next."))
    raise Refusal(text % {"day": day}, rule="offer_over")


def _refuse_blocked(offer: Offer) -> None:
    """Drones may have been blocked or taken back since they were offered."""
    of_pool = offer.pool.parts.values("source") if offer.pool is not None else []
    sources = DroneSource.objects.filter(Q(pk=offer.source_id) | Q(pk__in=of_pool)).order_by("letter")
    blocked = [source for source in sources if source.hold_since is not None or source.withdrawn_at is not None]
    if blocked:
        raise Refusal(
            _("%(source)s can bring no drones now, so these places cannot be taken. The coordinator knows more.")
            % {"source": blocked[0]},
            rule="offer_source",
        )


def _give_back(offer: Offer, state: str, *, by: Person | None, now: dt.datetime) -> None:
    BenchPlace.objects.filter(offer=offer, state=PlaceState.OFFERED).update(state=PlaceState.FREED)
    _end(offer, state, by=by, now=now)
    booking = _locked_booking(offer)
    if booking.state == BookingState.OFFERED:
        _set_booking(booking, BookingState.QUEUED, booking.why)


def _end(offer: Offer, state: str, *, by: Person | None, now: dt.datetime) -> None:
    offer.state, offer.answered_at, offer.answered_by = state, now, by
    offer.save(update_fields=["state", "answered_at", "answered_by"])
    done = OFFER_KINDS if state == OfferState.ACCEPTED else []
    cooperative = offer.booking.season.cooperative
    reminders_set(offer, [], cooperative=cooperative, kinds=OFFER_KINDS, done_kinds=done, now=now, by=by)


def _locked_booking(offer: Offer) -> Booking:
    return Booking.objects.select_for_update(of=("self",)).get(pk=offer.booking_id)


def _set_booking(booking: Booking, state: str, why: Said) -> None:
    if (booking.state, booking.why) != (state, why):
        booking.state, booking.why, booking.version = state, why, booking.version + 1
        booking.save(update_fields=["state", "why", "version"])


def _still_missing(queens: int) -> Said:
    if queens <= 0:
        return ""
    return ngettext("%(n)d queen still has no place.", "%(n)d queens still have no place.", queens) % {"n": queens}


def _today(season: Season, now: dt.datetime) -> dt.date:
    return now.astimezone(ZoneInfo(season.cooperative.time_zone)).date()


def _record(offer: Offer, action: str, *, by: Person | None, now: dt.datetime) -> None:
    audit_record(
        offer.booking,
        action=action,
        by=by,
        now=now,
        cooperative=offer.booking.season.cooperative,
        before={"offer": OfferState.OPEN},
        after={"offer": offer.state, "queens": offer.queens, "session": str(offer.session)},
    )
