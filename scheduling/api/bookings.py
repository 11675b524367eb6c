"""Asking for places at the bench, answering offers."""

import uuid
from typing import Any

import django_filters
from django.db.models import QuerySet
from django.utils.translation import gettext as _
from drf_spectacular.utils import extend_schema, extend_schema_field
from rest_framework import serializers
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response

from accounts.access import Viewer, can_act_for, require
from accounts.api import fields as f
from accounts.api import filters
from accounts.api.kept import shown_by
from accounts.api.views import Endpoint, Facts, Readable
from accounts.models import Scope
from scheduling.api.batches import whose
from scheduling.models import (
    BenchPlace,
    Booking,
    BookingMode,
    BookingSource,
    BookingState,
    Offer,
    OfferState,
    PlaceState,
    QueenBatch,
    Season,
)
from scheduling.queries.batches import batches_seen_by
from scheduling.queries.bookings import bookings_seen_by, offers_seen_by, with_parts
from scheduling.queries.sessions import sessions_seen_by
from scheduling.queries.sources import sources_seen_by
from scheduling.services.booking_widen import booking_widen
from scheduling.services.bookings import booking_ask, booking_withdraw
from scheduling.services.offers import offer_accept, offer_decline

KEYS = uuid.UUID("5b0f8a52-7a35-4c0a-9a1c-2a4f3d7c1e60")  # names the booking's own key after the Idempotency-Key


class AcceptedShown(f.Shown):
    class Meta:
        model = BookingSource
        fields = ["source", "merit", "inbreeding", "viability"]


class PlaceShown(f.Shown):
    dose_ul = f.Volume(source="dose_tenths", read_only=True)

    class Meta:
        model = BenchPlace
        fields = ["id", "session", "position", "batch_queen", "source", "dose_ul", "co2_before", "is_second", "state"]


class BookingShown(f.Shown):
    dose_ul = f.Volume(source="dose_tenths", read_only=True)
    accepted = AcceptedShown(many=True, read_only=True)
    places = serializers.SerializerMethodField(help_text="Given or offered, by bench day.")

    class Meta:
        model = Booking
        fields = [
            "id", "season", "member", "batch", "queens", "dose_ul", "mode", "state", "why", "wished_session",
            "accepted", "places", "asked_at", "note", "version",
        ]  # fmt: skip

    @extend_schema_field(PlaceShown(many=True))
    def get_places(self, booking: Booking) -> Any:
        given = [place for place in booking.bench_places.all() if place.state != PlaceState.FREED]
        given.sort(key=lambda place: (place.session_id, place.position))
        return [shown_by(PlaceShown, place, self.context) for place in given]


def _batches(viewer: Viewer) -> QuerySet[QueenBatch]:
    return batches_seen_by(viewer).select_related("season__cooperative", "member", "apiary", "mother")


class BookingMade(f.Given):
    batch = f.Thing(_batches, open_to_all=True, help_text="One of yours.")
    queens = f.Whole(min_value=1, max_value=500)
    sources = serializers.ListField(
        child=f.Thing(sources_seen_by, open_to_all=True),
        allow_empty=False,
        max_length=40,
        help_text="Those you accept drones of.",
    )
    session = f.Thing(
        sessions_seen_by,
        open_to_all=True,
        required=False,
        allow_null=True,
        help_text="Without it: any day that fits.",
    )
    dose_ul = f.Volume(required=False, allow_null=True)
    mode = f.Choice(choices=BookingMode.choices, required=False)
    note = f.Text(max_length=300, required=False, allow_blank=True)


class Widened(f.Given):
    source = f.Thing(sources_seen_by, required=False, allow_null=True)  # type: ignore[assignment]
    dose_ul = f.Volume(required=False, allow_null=True)
    split = f.YesNo(required=False)


class BookingWithdrawn(f.Given):
    reason = f.Text(max_length=300, required=False, allow_blank=True)


class BookingFilters(filters.FilterSet):
    season = filters.Id(field_name="season_id")
    member = filters.Id(field_name="member_id")
    batch = filters.Id(field_name="batch_id")
    session = filters.Id(field_name="wished_session_id")
    state = django_filters.ChoiceFilter(choices=BookingState.choices)


class BookingEndpoint(Readable, Endpoint):
    """Your requests; all of them for the coordinator and the operators. What does not fit joins the queue."""

    shown = BookingShown
    scope = Scope.BOOKINGS
    filterset_class = BookingFilters
    ordering_fields = ("asked_at",)
    keyed = frozenset({"create"})

    def seen(self, viewer: Viewer) -> QuerySet[Booking]:
        return bookings_seen_by(viewer).order_by("pk")

    def rows(self) -> QuerySet[Booking]:
        return super().rows().select_related("member").prefetch_related("accepted", "bench_places")

    def may_change(self, thing: Booking) -> bool:
        return can_act_for(self.viewer, thing.member)

    def whose(self, thing: Booking) -> str:
        return _("Only %(member)s can change it.") % {"member": thing.member}

    def lock(self, thing: Booking) -> None:
        """The season first, as publishing and answering do."""
        Season.objects.select_for_update(of=("self",)).get(pk=thing.season_id)
        super().lock(thing)

    @extend_schema(request=BookingMade, responses={201: BookingShown})
    def create(self, request: Request) -> Response:
        """Ask for places. 201 in either state: `asked`, or `queued` with the reason in `why`."""
        given = self.given(BookingMade)
        batch = given.pop("batch")
        require(can_act_for(self.viewer, batch.member), whose(batch, batch.member))
        session = given.pop("session", None)
        strange = [source for source in given["sources"] if source.season_id != batch.season_id]
        if strange or (session is not None and session.season_id != batch.season_id):
            field = "sources" if strange else "session"
            raise serializers.ValidationError({field: [_("Choose from the season of the batch.")]})
        booking = booking_ask(
            batch,
            session=session,
            dose_tenths=given.pop("dose_ul", None),
            key=uuid.uuid5(KEYS, self.key_used),
            **self.facts,
            **given,
        )
        return self.made(booking.pk, thing=with_parts(booking))

    @extend_schema(request=Widened, responses=BookingShown)
    @action(detail=True, methods=["post"])
    def widen(self, request: Request, pk: int) -> Response:
        """One more source, a smaller dose, or a batch that may be split: easier to serve."""

        def service(booking: Booking, given: Facts) -> None:
            source = given.get("source")
            if source is not None and source.season_id != booking.season_id:
                raise serializers.ValidationError({"source": [_("Choose from the season of the batch.")]})
            if source is None and given.get("dose_ul") is None and not given.get("split"):
                raise serializers.ValidationError(_("Choose what to change."))
            split = given.get("split", False)
            booking_widen(booking, source=source, dose_tenths=given.get("dose_ul"), split=split, **self.facts)

        return self.change(pk, service, Widened)

    @extend_schema(request=BookingWithdrawn, responses=BookingShown)
    @action(detail=True, methods=["post"])
    def withdraw(self, request: Request, pk: int) -> Response:
        """Given places go to the queue at once."""
        return self.change(
            pk, lambda booking, given: booking_withdraw(booking, **self.facts, **given), BookingWithdrawn
        )


class OfferShown(f.Shown):
    class Meta:
        model = Offer
        fields = [
            "id", "booking", "session", "source", "queens", "rank", "state", "offered_at", "expires_at", "answered_at",
        ]  # fmt: skip


class OfferFilters(filters.FilterSet):
    booking = filters.Id(field_name="booking_id")
    session = filters.Id(field_name="session_id")
    state = django_filters.ChoiceFilter(choices=OfferState.choices)


class OfferEndpoint(Readable, Endpoint):
    """Freed places offered to your requests in the queue, until a moment."""

    shown = OfferShown
    scope = Scope.BOOKINGS
    filterset_class = OfferFilters
    ordering_fields = ("offered_at", "expires_at")
    keyed = frozenset({"accept"})

    def seen(self, viewer: Viewer) -> QuerySet[Offer]:
        return offers_seen_by(viewer).order_by("pk")

    def rows(self) -> QuerySet[Offer]:
        return super().rows().select_related("booking__member", "booking__season", "session")

    def may_change(self, thing: Offer) -> bool:
        return can_act_for(self.viewer, thing.booking.member)

    def whose(self, thing: Offer) -> str:
        return _("Only %(member)s answers.") % {"member": thing.booking.member}

    def lock(self, thing: Offer) -> None:
        Season.objects.select_for_update(of=("self",)).get(pk=thing.booking.season_id)
        super().lock(thing)

    @extend_schema(request=None, responses=OfferShown)
    @action(detail=True, methods=["post"])
    def accept(self, request: Request, pk: int) -> Response:
        return self.change(pk, lambda offer, _given: offer_accept(offer, **self.facts))

    @extend_schema(request=None, responses=OfferShown)
    @action(detail=True, methods=["post"])
    def decline(self, request: Request, pk: int) -> Response:
        return self.change(pk, lambda offer, _given: offer_decline(offer, **self.facts))
