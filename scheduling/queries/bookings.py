"""Bookings as a viewer may see them, and the dates that follow from them."""

import datetime as dt
from dataclasses import dataclass
from functools import cached_property

from django.db.models import QuerySet
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from accounts.access import Viewer
from accounts.models import AuditEntry
from accounts.queries.often import asked_often, read_along
from accounts.queries.rows import rows_of
from scheduling.models import (
    BenchPlace,
    BenchSession,
    Booking,
    BookingSource,
    BookingState,
    Offer,
    OfferState,
    PlaceState,
    Plan,
    Unserved,
)
from scheduling.models.booking import ENDED_BOOKINGS
from scheduling.planning.timing import Fit
from scheduling.queries.batches import BatchView
from scheduling.queries.plan_words import ShownWay, names_of_results, reason_words, way_shown
from scheduling.queries.plans import IN_FORCE
from scheduling.queries.sessions import place_in_queue, sessions_to_come
from scheduling.queries.words import day_words, ordinal_words


def bookings_seen_by(viewer: Viewer) -> QuerySet[Booking]:
    """A member's own requests; all of them for the coordinator, and for operators, who work them off."""
    bookings = Booking.objects.filter(season__cooperative=viewer.cooperative)
    if viewer.is_coordinator or viewer.is_operator:
        return bookings
    return bookings.filter(member__in=viewer.member_ids)


def bookings_with_facts(bookings: QuerySet[Booking]) -> QuerySet[Booking]:
    return bookings.select_related(
        "batch__season__cooperative", "batch__mother", "member", "wished_session__bench", "season__cooperative"
    ).prefetch_related(
        rows_of("accepted", BookingSource.objects.select_related("source")),
        rows_of(
            "bench_places",
            BenchPlace.objects.exclude(state__in=[PlaceState.FREED, PlaceState.OFFERED])
            .select_related("session__bench", "source", "batch_queen__queen")
            .order_by("session__day", "position"),
        ),
    )


def with_parts(booking: Booking) -> Booking:
    """The booking with its accepted sources and its places, as if they had been prefetched."""
    return read_along(booking, accepted=_accepted_by(booking.pk), bench_places=_places_of(booking.pk))


@asked_often
def _accepted_by(booking: int) -> QuerySet[BookingSource, BookingSource]:
    return BookingSource.objects.filter(booking=booking).order_by("pk")


@asked_often
def _places_of(booking: int) -> QuerySet[BenchPlace, BenchPlace]:
    return BenchPlace.objects.filter(booking=booking)


def is_ended(booking: Booking) -> bool:
    return booking.state in ENDED_BOOKINGS


def queue_words(booking: Booking) -> str:
    """“You are 2nd in the queue.”, as of now; empty when the booking does not queue."""
    place = place_in_queue(booking)
    if place is None:
        return ""
    if booking.wished_session is None:
        return _("It is %(nth)s in the queue for any bench day.") % {"nth": ordinal_words(place)}
    return _("It is %(nth)s in the queue for %(day)s.") % {
        "nth": ordinal_words(place),
        "day": day_words(booking.wished_session.day),
    }


@dataclass(frozen=True)
class Outlook:
    """Why queens of a booking have no place in the plan in force, and what would give them one."""

    plan: Plan
    queens: int
    reasons: list[str]
    own_ways: list[ShownWay]
    other_ways: list[ShownWay]


def outlook_of(booking: Booking) -> Outlook | None:
    """As it was when the plan was published or last changed; None when every queen has a place, or without a plan."""
    row = (
        Unserved.objects.filter(booking=booking, plan__state__in=IN_FORCE)
        .select_related("plan")
        .order_by("-pk")
        .first()
    )
    names = names_of_results(row.plan) if row is not None else None
    if row is None or names is None or is_ended(booking):
        return None
    ways = [way_shown(way, names) for way in row.ways]
    return Outlook(
        row.plan,
        row.queens,
        [str(reason_words(reason, names)) for reason in row.reasons],
        [way for way in ways if way.who == "member"],
        [way for way in ways if way.who != "member"],
    )


def open_offer_of(booking: Booking) -> Offer | None:
    return booking.offers.filter(state=OfferState.OPEN).select_related("session__bench", "source").first()


def offers_seen_by(viewer: Viewer) -> QuerySet[Offer]:
    """A member's own offers; all of them for the coordinator."""
    offers = Offer.objects.filter(booking__season__cooperative=viewer.cooperative)
    return offers if viewer.is_coordinator else offers.filter(booking__member__in=viewer.member_ids)


def history_of_booking(booking: Booking) -> QuerySet[AuditEntry]:
    return AuditEntry.objects.filter(subject_type="scheduling.booking", subject_id=booking.pk)


@dataclass(frozen=True)
class Misfit:
    """A booked day or number that no longer fits what was observed, and what would. Nothing was moved."""

    booking: Booking
    what: str
    help: str


class Misfits:
    """Compares the bookings of one batch with its calendar as it stands now."""

    def __init__(self, view: BatchView) -> None:
        self.view = view

    def all(self) -> list[Misfit]:
        found = [misfit for booking in self.view.open_bookings for misfit in self._of_days(booking)]
        return found + self._of_number()

    @cached_property
    def _coming(self) -> list[BenchSession]:
        return list(sessions_to_come(self.view.batch.season, today=self.view.today))

    def _of_days(self, booking: Booking) -> list[Misfit]:
        window = self.view.calendar.window
        misfits = []
        for session in self._sessions_of(booking):
            fit = self._fit(booking.queens, session.day)
            if fit in (Fit.NORMAL, Fit.NEEDS_REASON):
                continue
            age = window.ages_on(session.day)
            text = (
                _("%(day)s no longer fits: the youngest queens are %(age)s days old then, %(opens)s is the first day.")
                if fit == Fit.TOO_YOUNG
                else _("%(day)s no longer fits: the oldest queens are %(old)s days old then, %(last)s is the last day.")
            )
            what = text % {
                "day": day_words(session.day),
                "age": age[0],
                "old": age[1],
                "opens": day_words(window.opens_on),
                "last": day_words(window.last_with_reason_on),
            }
            misfits.append(Misfit(booking, what, self._what_would(booking)))
        return misfits

    def _fit(self, queens: int, day: dt.date) -> Fit:
        """How the day suits as many queens as are booked; with several emergences those of the right age may go."""
        windows = self.view.calendar.windows
        for fit, suiting in ((Fit.NORMAL, {Fit.NORMAL}), (Fit.NEEDS_REASON, {Fit.NORMAL, Fit.NEEDS_REASON})):
            of_age = [queens if w.virgins is None else w.virgins for w in windows if w.fit(day) in suiting]
            if sum(of_age) >= queens:
                return fit
        return self.view.calendar.window.fit(day)

    def _sessions_of(self, booking: Booking) -> list[BenchSession]:
        placed = {place.session_id: place.session for place in booking.bench_places.all() if place.state == "held"}
        if not placed and booking.wished_session is not None and booking.state != BookingState.DONE:
            placed = {booking.wished_session.pk: booking.wished_session}
        return [session for session in placed.values() if session.day >= self.view.today]

    def _what_would(self, booking: Booking) -> str:
        window = self.view.calendar.window
        for session in self._coming:
            free = session.left  # type: ignore[attr-defined]
            if self._fit(booking.queens, session.day) == Fit.NORMAL and free > 0:
                return ngettext(
                    "%(day)s would fit: %(age)d days old, %(free)d place free.",
                    "%(day)s would fit: %(age)d days old, %(free)d places free.",
                    free,
                ) % {"day": day_words(session.day), "age": window.ages_on(session.day)[1], "free": free}
        return _("No open bench day fits now. Ask the coordinator for one between %(first)s and %(last)s.") % {
            "first": day_words(window.opens_on),
            "last": day_words(window.last_on),
        }

    def _of_number(self) -> list[Misfit]:
        live = [booking for booking in self.view.open_bookings if booking.state != BookingState.NOT_SENT]
        if self.view.queens is None or not live:
            return []
        surplus = self.view.booked - self.view.queens
        if surplus <= 0:
            return []
        what = ngettext(
            "%(booked)d places are booked, but %(batch)s has %(queens)d queen.",
            "%(booked)d places are booked, but %(batch)s has %(queens)d queens.",
            self.view.queens,
        ) % {"booked": self.view.booked, "queens": self.view.queens, "batch": self.view.batch}
        help_ = ngettext("Give %(n)d place back.", "Give %(n)d places back.", surplus) % {"n": surplus}
        return [Misfit(live[-1], what, help_)]


def misfits_of(view: BatchView) -> list[Misfit]:
    return Misfits(view).all()
