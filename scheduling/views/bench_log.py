"""The tablet's side door: its data, its entries, and what needs a look."""

from uuid import UUID

from django.contrib import messages
from django.http import HttpRequest, HttpResponse, JsonResponse
from django.middleware.csrf import get_token
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.translation import gettext as _
from django.views.decorators.gzip import gzip_page
from django.views.decorators.http import require_GET, require_POST

from accounts.http import now_of, tried_with_message, viewer_of_request
from accounts.refusals import Refusal
from scheduling.forms.bench_entries import LookForm, batch_read
from scheduling.models import EntryState
from scheduling.queries.bench_log import entries_to_look_at, entry_words
from scheduling.services.bench_entries import Sent, entries_take, entry_again, entry_let_be
from scheduling.services.bench_tablet import tablet_data
from scheduling.views.bench_common import session_at_bench

OTHER_PERSON = 409


@require_GET
@gzip_page
def data(request: HttpRequest, pk: int) -> HttpResponse:
    """The session as the tablet needs it. Asked for somebody else than is signed in: said so, nothing given."""
    session = session_at_bench(request, pk)
    person = viewer_of_request(request).person
    asked_for = request.GET.get("person", "")
    if asked_for and asked_for != str(person.pk):
        return JsonResponse({"person": person.pk, "person_name": person.name}, status=OTHER_PERSON)
    try:
        device = UUID(request.GET["device"]) if request.GET.get("device") else None
    except ValueError:
        device = None
    found = tablet_data(session, device=device, person=person, now=now_of(request))
    answer = JsonResponse({**found, "csrf": get_token(request)})
    answer["Cache-Control"] = "no-store"
    return answer


@require_POST
def entries(request: HttpRequest, pk: int) -> HttpResponse:
    """A batch of entries. Answered only when all of them are kept; sent again, the answer is the same."""
    session = session_at_bench(request, pk)
    person, now = viewer_of_request(request).person, now_of(request)
    try:
        batch = batch_read(request.body)
    except (ValueError, RecursionError) as error:
        return JsonResponse({"error": str(error)}, status=400)
    if batch.person != person.pk:
        return JsonResponse({"person": person.pk, "person_name": person.name}, status=OTHER_PERSON)
    sent = [Sent(one.id, one.number, one.kind, one.facts, one.device_at, one.offset_ms) for one in batch.entries]
    try:
        kept = entries_take(session, device=batch.device, sent=sent, sent_at=batch.sent_at, by=person, now=now)
    except Refusal as refusal:
        return JsonResponse({"error": str(refusal.text)}, status=OTHER_PERSON)
    return JsonResponse(
        {
            "server_at": now.isoformat(),
            "entries": [{"id": str(entry.pk), "state": entry.state, "words": entry.words} for entry in kept],
        }
    )


@require_GET
def looks(request: HttpRequest, pk: int) -> HttpResponse:
    """Entries that do not go together with the record: both versions, and what to do."""
    session = session_at_bench(request, pk)
    rows = [(entry, entry_words(entry)) for entry in entries_to_look_at(session)]
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
