"""The side door of members' phones: what they kept without a signal, and what needs a look."""

from uuid import UUID

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse, JsonResponse
from django.middleware.csrf import get_token
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils.translation import gettext as _
from django.views.decorators.http import require_GET, require_POST

from accounts.access import Viewer, viewer_of
from accounts.http import now_of, tried_with_message, viewer_of_request
from scheduling.forms.entries import HiveLookForm
from scheduling.queries.hive_log import confirmed_up_to, entry_words, hive_entries_of, hive_entries_to_look_at
from scheduling.services.hive_entries import hive_entries_take, hive_entries_try, hive_entry_again, hive_entry_let_go
from scheduling.views.entry_log import device_of, entries_answered, other_person, tries_answered

SHOWN_SETTLED = 20


def _viewer_in(request: HttpRequest, cooperative: int) -> Viewer:
    """Entries belong to the cooperative in which they were written down, whichever is looked at now."""
    viewer = viewer_of(viewer_of_request(request).person, cooperative)
    if viewer is None or viewer.cooperative.pk != cooperative:
        raise Http404
    return viewer


@require_GET
def data(request: HttpRequest, cooperative: int) -> HttpResponse:
    """What a phone needs for sending: the time, a token, whose door this is, how far its entries are confirmed."""
    if (refused := other_person(request)) is not None:
        return refused
    viewer, device = _viewer_in(request, cooperative), device_of(request)
    answer = JsonResponse(
        {
            "server_at": now_of(request).isoformat(),
            "person": viewer.person.pk,
            "person_name": viewer.person.name,
            "up_to": confirmed_up_to(viewer, device) if device else 0,
            "looks": hive_entries_to_look_at(viewer).count(),
            "csrf": get_token(request),
        }
    )
    answer["Cache-Control"] = "no-store"
    return answer


@require_POST
def entries(request: HttpRequest, cooperative: int) -> HttpResponse:
    viewer, now = _viewer_in(request, cooperative), now_of(request)
    return entries_answered(
        request,
        lambda batch, sent: hive_entries_take(viewer, device=batch.device, sent=sent, sent_at=batch.sent_at, now=now),
    )


@require_POST
def tries(request: HttpRequest, cooperative: int) -> HttpResponse:
    """Asked before an entry is kept, where there is a signal."""
    viewer, now = _viewer_in(request, cooperative), now_of(request)
    return tries_answered(
        request,
        lambda batch, sent: hive_entries_try(viewer, device=batch.device, sent=sent, sent_at=batch.sent_at, now=now),
    )


@require_GET
def looks(request: HttpRequest) -> HttpResponse:
    """Own entries that could not be taken in: both versions, and what to do."""
    viewer = viewer_of_request(request)
    zone = viewer.cooperative.time_zone
    rows = [
        (entry, entry_words(entry, zone_name=zone), reverse("scheduling:hive_look", args=[entry.pk]))
        for entry in hive_entries_to_look_at(viewer)
    ]
    settled = hive_entries_of(viewer).filter(settled_at__isnull=False).order_by("-settled_at")[:SHOWN_SETTLED]
    return render(
        request,
        "scheduling/hive_looks.html",
        {
            "rows": rows,
            "settled": [(entry, entry_words(entry, zone_name=zone)) for entry in settled],
            "form": HiveLookForm(),
        },
    )


@require_POST
def look(request: HttpRequest, entry_id: UUID) -> HttpResponse:
    viewer, now = viewer_of_request(request), now_of(request)
    entry = get_object_or_404(hive_entries_of(viewer), pk=entry_id)
    form = HiveLookForm(request.POST)
    if not form.is_valid():
        messages.error(request, _("Choose what to do with this entry."))
        return redirect("scheduling:hive_looks")
    reason = form.cleaned_data["reason"]
    act = hive_entry_again if form.cleaned_data["answer"] == "mine" else hive_entry_let_go
    if tried_with_message(request, lambda: act(entry, reason=reason, viewer=viewer, now=now)):
        messages.success(request, _("Settled."))
    return redirect("scheduling:hive_looks")
