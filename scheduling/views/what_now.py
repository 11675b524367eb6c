"""What now? The rest of the session re-planned; the operator accepts or changes it."""

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils.translation import gettext as _
from django.utils.translation import ngettext
from django.views.decorators.http import require_http_methods

from accounts.http import now_of, tried, viewer_of_request
from scheduling.forms.what_now import DronesLeftForm, MovesForm
from scheduling.models import SessionState
from scheduling.queries.what_now import what_now_of
from scheduling.services.bench_moves import bench_move
from scheduling.views.bench_common import session_at_bench


@require_http_methods(["GET", "POST"])
def what_now(request: HttpRequest, pk: int) -> HttpResponse:
    session = session_at_bench(request, pk)
    if session.state != SessionState.RUNNING:
        return redirect("scheduling:bench_session", pk=pk)
    found = what_now_of(session)
    left = DronesLeftForm(request.GET if request.GET else None, found=found)
    if left.is_valid():
        found = what_now_of(session, drones_left=left.drones_left())
    form = MovesForm(request.POST or None, found=found)
    if request.method == "POST" and form.is_valid():
        moves = form.moves()
        freed = tried(
            form,
            lambda: bench_move(
                session,
                moves=moves,
                reason=form.cleaned_data["reason"],
                by=viewer_of_request(request).person,
                now=now_of(request),
            ),
        )
        if freed is not None:
            messages.success(
                request,
                ngettext(
                    "%(n)d queen leaves today’s order. Those concerned are told.",
                    "%(n)d queens leave today’s order. Those concerned are told.",
                    len(freed),
                )
                % {"n": len(freed)}
                if freed
                else _("Nothing is changed."),
            )
            return redirect("scheduling:bench_session", pk=pk)
    return render(
        request,
        "scheduling/what_now.html",
        {"session": session, "found": found, "left": left, "form": form},
        status=422 if form.errors else 200,
    )
