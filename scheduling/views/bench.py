"""Bench: which session, before it starts, while it runs, its end."""

from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils.translation import gettext as _
from django.views.decorators.gzip import gzip_page
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from accounts.access import can_work_bench, require
from accounts.http import now_of, today_of, tried, viewer_of_request
from scheduling.forms.bench import CloseForm, StartForm
from scheduling.models import BenchSession, SessionState
from scheduling.queries.bench import BenchPage, bench_page, bench_sessions, store_of_session, stored_lots
from scheduling.queries.bench_log import corrections_of, entries_to_look_at, given_on_at
from scheduling.queries.second_doses import second_doses_at
from scheduling.queries.what_now import sources_before
from scheduling.services.bench_session import open_ends, session_close, session_start
from scheduling.views.bench_common import OPERATORS_ONLY, bench_shown, person_of, session_at_bench

PAST_SHOWN = 20


@require_GET
def bench(request: HttpRequest) -> HttpResponse:
    """Which session: the running one at once, else the list."""
    viewer, today = viewer_of_request(request), today_of(request)
    require(can_work_bench(viewer), OPERATORS_ONLY)
    sessions = bench_sessions(viewer).order_by("day", "starts_at")
    return render(
        request,
        "scheduling/bench_list.html",
        {
            "running": list(sessions.filter(state=SessionState.RUNNING)),
            "coming": list(sessions.filter(state=SessionState.OPEN, day__gte=today)),
            "past": list(sessions.filter(state=SessionState.CLOSED).reverse()[:PAST_SHOWN]),
            "today": today,
            "stored": stored_lots(viewer),
        },
    )


@require_GET
@gzip_page
def session_page(request: HttpRequest, pk: int) -> HttpResponse:
    """Before the start: checks and cautions. Running: the bench. Closed: what was done."""
    session = session_at_bench(request, pk)
    if session.state == SessionState.RUNNING:
        return bench_shown(request, session)
    page = bench_page(session)
    template = (
        "scheduling/bench_closed.html" if session.state == SessionState.CLOSED else "scheduling/bench_prepare.html"
    )
    return render(
        request,
        template,
        {
            "session": session,
            "page": page,
            "form": StartForm(),
            "today": today_of(request),
            "looks": entries_to_look_at(session).count(),
            "corrections": corrections_of(session),
            "given_on": given_on_at(session) if session.state == SessionState.CLOSED else [],
            **(_before(session, page) if session.state == SessionState.OPEN else {}),
        },
    )


def _before(session: BenchSession, page: BenchPage) -> dict[str, Any]:
    return {
        "sources": sources_before(session, page),
        "seconds": second_doses_at(session),
        "store": store_of_session(session),
    }


@require_POST
def start(request: HttpRequest, pk: int) -> HttpResponse:
    session = session_at_bench(request, pk)
    form = StartForm(request.POST)
    if form.is_valid() and tried(
        form,
        lambda: session_start(
            session,
            cautions_read=form.cleaned_data["cautions_read"],
            nitrogen_shown=form.cleaned_data["nitrogen_shown"],
            by=person_of(request),
            now=now_of(request),
        ),
    ):
        return redirect("scheduling:bench_session", pk=pk)
    page = bench_page(session)
    context = {"session": session, "page": page, "form": form, "today": today_of(request), **_before(session, page)}
    return render(request, "scheduling/bench_prepare.html", context, status=422)


@require_http_methods(["GET", "POST"])
def close(request: HttpRequest, pk: int) -> HttpResponse:
    """Ask first: matings are written and nothing here is rewritten afterwards."""
    session = session_at_bench(request, pk)
    form = CloseForm(request.POST or None)
    if (
        request.method == "POST"
        and form.is_valid()
        and tried(
            form,
            lambda: session_close(
                session,
                reason_for_rest=form.cleaned_data["reason_for_rest"],
                by=person_of(request),
                now=now_of(request),
            ),
        )
    ):
        messages.success(request, _("The session is closed. Its matings stand in the pedigree."))
        return redirect("scheduling:bench_session", pk=pk)
    return render(
        request,
        "scheduling/bench_close.html",
        {"session": session, "page": bench_page(session), "form": form, "open_ends": open_ends(session)},
    )
