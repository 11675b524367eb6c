"""What a member can do for queens without a place: accept one more source, a smaller dose, a split batch."""

import datetime as dt

from django.db import transaction
from django.utils.translation import gettext as _

from accounts.models import Person
from accounts.refusals import Refusal
from accounts.services.audit import audit_record
from scheduling.models import (
    BenchPlace,
    Booking,
    BookingMode,
    BookingSource,
    DroneSource,
    PlaceState,
    Season,
    SessionState,
)
from scheduling.models.booking import ENDED_BOOKINGS
from scheduling.planning.units import tenths_from_ul
from scheduling.queries.season import settings_of
from scheduling.queries.words import volume_words
from scheduling.services.bookings import accepted_source, checked_choices, view_of_batch
from scheduling.services.offers import standby_ask


def booking_widen(
    booking: Booking,
    *,
    source: DroneSource | None = None,
    dose_tenths: int | None = None,
    split: bool = False,
    by: Person,
    now: dt.datetime,
) -> Booking:
    """Make a request easier to serve. What is given already stays; free places are then offered. Twice is once."""
    choices = checked_choices(view_of_batch(booking.batch, now=now), [source]) if source is not None else []
    with transaction.atomic():
        season = Season.objects.select_for_update(of=("self",)).select_related("cooperative").get(pk=booking.season_id)
        fresh = Booking.objects.select_for_update(of=("self",)).select_related("batch").get(pk=booking.pk)
        if fresh.state in ENDED_BOOKINGS:
            raise Refusal(_("This request has ended; nothing of it is changed any more."), rule="booking_over")
        before = _shown(fresh)
        for choice in choices:
            if not fresh.accepted.filter(source=choice.source).exists():
                BookingSource.objects.bulk_create([accepted_source(fresh, choice)])
        if dose_tenths is not None:
            _lower(fresh, dose_tenths)
        if split and fresh.mode == BookingMode.ONE:
            fresh.mode = BookingMode.EACH
        after = _shown(fresh)
        if after == before:
            return fresh
        fresh.version += 1
        fresh.save(update_fields=["dose_tenths", "mode", "version"])
        audit_record(
            fresh, action="booking.widen", by=by, now=now, cooperative=season.cooperative, before=before, after=after
        )
        standby_ask(season, now=now)
    return fresh


def _lower(booking: Booking, tenths: int) -> None:
    """A smaller dose for all its queens that are not at the bench yet, never below the season's standard dose."""
    least = tenths_from_ul(settings_of(booking.season).dose_standard_ul)
    if not least <= tenths <= booking.dose_tenths:
        raise Refusal(
            _("Choose a dose from %(least)s to %(now)s.")
            % {"least": volume_words(least), "now": volume_words(booking.dose_tenths)},
            field="dose",
            rule="dose_range",
        )
    booking.dose_tenths = tenths
    to_come = BenchPlace.objects.filter(
        booking=booking, session__state=SessionState.OPEN, state__in=[PlaceState.HELD, PlaceState.OFFERED]
    )
    to_come.update(dose_tenths=tenths)


def _shown(booking: Booking) -> dict[str, object]:
    names = sorted(booking.accepted.values_list("source__name", flat=True))
    return {"dose_tenths": booking.dose_tenths, "mode": booking.mode, "sources": names}
