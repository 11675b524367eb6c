"""The tablet's side door: its data, its entries, and what needs a look."""

from uuid import UUID

from django.contrib import messages
from django.http import HttpRequest, HttpResponse, JsonResponse
from django.middleware.csrf import get_token
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils.translation import gettext as _
from django.views.decorators.gzip import gzip_page
from django.views.decorators.http import require_GET, require_POST

from accounts.http import now_of, tried_with_message, viewer_of_request
from scheduling.forms.entries import LookForm
from scheduling.models import EntryState
from scheduling.queries.bench_log import entries_to_look_at, entry_words
from scheduling.services.bench_entries import entries_take, entry_again, entry_let_be
from scheduling.services.bench_tablet import tablet_data
from scheduling.views.bench_common import session_at_bench
from scheduling.views.entry_log import device_of, entries_answered, other_person


@require_GET
@gzip_page
def data(request: HttpRequest, pk: int) -> HttpResponse:
    """The session as the tablet needs it."""
    session = session_at_bench(request, pk)
    if (refused := other_person(request)) is not None:
        return refused
    person = viewer_of_request(request).person
    found = tablet_data(session, device=device_of(request), person=person, now=now_of(request))
    answer = JsonResponse({**found, "csrf": get_token(request)})
    answer["Cache-Control"] = "no-store"
    return answer


@require_POST
def entries(request: HttpRequest, pk: int) -> HttpResponse:
    session = session_at_bench(request, pk)
    person, now = viewer_of_request(request).person, now_of(request)
    return entries_answered(
        request,
        lambda batch, sent: entries_take(
            session, device=batch.device, sent=sent, sent_at=batch.sent_at, by=person, now=now
        ),
    )


@require_GET
def looks(request: HttpRequest, pk: int) -> HttpResponse:
    """Entries that do not go together with the record: both versions, and what to do."""
    session = session_at_bench(request, pk)
    rows = [
        (entry, entry_words(entry), reverse("scheduling:bench_look", args=[pk, entry.pk]))
        for entry in entries_to_look_at(session)
    ]
    settled = session.entries.filter(state=EntryState.SETTLED).select_related("settled_by", "by")
    return render(
        request,
        "scheduling/bench_looks.html",
        {
            "session": session,
            "rows": rows,
            "settled": [(entry, entry_words(entry)) for entry in settled],
            "form": LookForm(),
        },
    )


@require_POST
def look(request: HttpRequest, pk: int, entry_id: UUID) -> HttpResponse:
    session = session_at_bench(request, pk)
    entry = get_object_or_404(session.entries, pk=entry_id)
    person, now = viewer_of_request(request).person, now_of(request)
    form = LookForm(request.POST)
    if not form.is_valid():
        messages.error(request, _("Choose what to do with this entry."))
        return redirect("scheduling:bench_looks", pk=pk)
    reason = form.cleaned_data["reason"]
    act = entry_again if form.cleaned_data["answer"] == "again" else entry_let_be
    if tried_with_message(request, lambda: act(entry, reason=reason, by=person, now=now)):
        messages.success(request, _("Kept."))
    return redirect("scheduling:bench_looks", pk=pk)
