"""While a card of the plan board is held: on which bench days it may be put down."""

from django.http import Http404, HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import get_object_or_404
from django.views.decorators.http import require_GET

from accounts.http import now_of
from accounts.refusals import Refusal
from scheduling.models import Booking, BookingMode, DroneSource, Placement
from scheduling.queries.board_moves import landings
from scheduling.queries.plans import SKETCHES
from scheduling.views.plan import plan_to_change


@require_GET
def fits(request: HttpRequest, pk: int, booking_pk: int, placement_pk: int | None = None) -> HttpResponse:
    """For the source named in the address, else the card's own: every day with what the checker says.

    A card in mixed semen has no source to choose: each day says which mixture its queens would get.
    """
    plan = plan_to_change(request, pk)
    if plan.state not in SKETCHES:
        raise Http404
    booking = get_object_or_404(Booking.objects.select_related("batch"), pk=booking_pk, season=plan.season)
    placement = get_object_or_404(Placement, pk=placement_pk, plan=plan, booking=booking) if placement_pk else None
    sources = [row.source for row in booking.accepted.select_related("source").order_by("source__letter")]
    asked = request.GET.get("source", "")
    own = asked or str(placement.source_id if placement else "")
    if not sources:
        raise Http404
    source: DroneSource | None = next((one for one in sources if str(one.pk) == own), sources[0])
    if booking.mode == BookingMode.POOL:
        sources, source = [], None
    placed = sum(plan.placements.filter(booking=booking).values_list("queens", flat=True))
    queens = placement.queens if placement else max(1, booking.queens - placed)
    try:
        found = landings(plan, booking, source=source, queens=queens, taken_from=placement, now=now_of(request))
    except (Refusal, ValueError) as refusal:  # figures are missing, or the card is not as it was
        return JsonResponse({"problem": str(refusal)}, status=409)
    return JsonResponse(
        {
            "batch": str(booking.batch),
            "queens": queens,
            "version": plan.version,
            "source": source.pk if source is not None else None,
            "sources": [one.pk for one in sources],
            "days": {str(one.session.pk): {"fits": one.fits, "words": one.words, "semen": one.semen} for one in found},
        }
    )
