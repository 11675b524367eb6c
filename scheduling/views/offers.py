"""Offers of freed places: take them or let them pass; and what a member can do for queens without a place."""

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.utils.translation import gettext as _
from django.utils.translation import ngettext
from django.views.decorators.http import require_POST

from accounts.access import can_act_for, require
from accounts.http import now_of, tried_with_message, viewer_of_request
from scheduling.models import DroneSource, Offer
from scheduling.queries.bookings import bookings_seen_by, offers_seen_by
from scheduling.queries.words import day_words
from scheduling.services.booking_widen import booking_widen
from scheduling.services.offers import offer_accept, offer_decline


def _offer(request: HttpRequest, pk: int) -> Offer:
    viewer = viewer_of_request(request)
    offer = get_object_or_404(offers_seen_by(viewer).select_related("booking__member", "session"), pk=pk)
    require(can_act_for(viewer, offer.booking.member), _("Only %(member)s answers.") % {"member": offer.booking.member})
    return offer


@require_POST
def accept(request: HttpRequest, pk: int) -> HttpResponse:
    offer, person = _offer(request, pk), viewer_of_request(request).person
    if tried_with_message(request, lambda: offer_accept(offer, by=person, now=now_of(request))):
        text = ngettext("%(n)d place on %(day)s is yours.", "%(n)d places on %(day)s are yours.", offer.queens)
        messages.success(request, text % {"n": offer.queens, "day": day_words(offer.session.day)})
    return redirect("scheduling:booking", pk=offer.booking_id)


@require_POST
def decline(request: HttpRequest, pk: int) -> HttpResponse:
    offer, person = _offer(request, pk), viewer_of_request(request).person
    if tried_with_message(request, lambda: offer_decline(offer, by=person, now=now_of(request))):
        messages.success(request, _("Let pass. The places go to the next, and you keep your turn for others."))
    return redirect("scheduling:booking", pk=offer.booking_id)


@require_POST
def widen(request: HttpRequest, pk: int) -> HttpResponse:
    """One way out taken: one more source, a smaller dose, or a split batch."""
    viewer, data = viewer_of_request(request), request.POST
    booking = get_object_or_404(bookings_seen_by(viewer).select_related("member", "batch", "season"), pk=pk)
    require(can_act_for(viewer, booking.member), _("Only %(member)s can change it.") % {"member": booking.member})
    named = data.get("source", "")
    source = get_object_or_404(DroneSource, pk=int(named), season=booking.season_id) if named.isdigit() else None
    dose = int(data["dose"]) if data.get("dose", "").isdigit() else None
    split = data.get("split") == "1"
    if source is None and dose is None and not split:
        messages.error(request, _("Choose what to change."))
    elif tried_with_message(
        request,
        lambda: booking_widen(
            booking, source=source, dose_tenths=dose, split=split, by=viewer.person, now=now_of(request)
        ),
    ):
        messages.success(request, _("Changed. Free places that fit are offered to you; else the next plan decides."))
    return redirect("scheduling:booking", pk=booking.pk)
