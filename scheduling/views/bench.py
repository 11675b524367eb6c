"""Bench: which queen now, from which source, how much?"""

from collections.abc import Callable
from typing import Any

from django import forms
from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.translation import gettext as _
from django.views.decorators.gzip import gzip_page
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from accounts.access import can_work_bench, require
from accounts.http import now_of, today_of, tried, tried_with_message, viewer_of_request
from accounts.models import Person
from scheduling.forms.bench import (
    AsideForm,
    CloseForm,
    DoseForm,
    LotForm,
    QueenForm,
    ReadingForm,
    StartForm,
    TakeOutForm,
    TallyForm,
)
from scheduling.models import BenchPlace, BenchSession, BenchState, Dose, SemenLot, SessionState, TallyOutcome
from scheduling.queries.bench import BenchPage, bench_page, bench_sessions, lots_of_session
from scheduling.queries.bench_log import corrections_of, entries_to_look_at
from scheduling.queries.what_now import sources_before
from scheduling.services.bench_queens import (
    bench_set_aside,
    bench_take_back,
    co2_start,
    co2_stop,
    dose_give,
    dose_undo,
    place_choose_queen,
)
from scheduling.services.bench_session import open_ends, session_close, session_start
from scheduling.services.lots import lot_open, lot_read, lot_take_out, lot_tally, lot_tally_undo
from scheduling.views.bench_common import OPERATORS_ONLY
from scheduling.views.bench_common import session_at_bench as _session
from viz.capillary import draw_capillary


def _person(request: HttpRequest) -> Person:
    return viewer_of_request(request).person


@require_GET
def bench(request: HttpRequest) -> HttpResponse:
    """Which session: the running one at once, else the list."""
    viewer, today = viewer_of_request(request), today_of(request)
    require(can_work_bench(viewer), OPERATORS_ONLY)
    sessions = list(bench_sessions(viewer).order_by("day", "starts_at"))
    return render(
        request,
        "scheduling/bench_list.html",
        {
            "running": [session for session in sessions if session.state == SessionState.RUNNING],
            "coming": [session for session in sessions if session.state == SessionState.OPEN and session.day >= today],
            "past": [session for session in sessions if session.state == SessionState.CLOSED][::-1][:20],
            "today": today,
        },
    )


@require_GET
@gzip_page
def session_page(request: HttpRequest, pk: int) -> HttpResponse:
    """Before the start: checks and cautions. Running: the bench. Closed: what was done."""
    session = _session(request, pk)
    if session.state == SessionState.RUNNING:
        return _bench(request, session)
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
            "sources": sources_before(session, page) if session.state == SessionState.OPEN else [],
        },
    )


@require_POST
def start(request: HttpRequest, pk: int) -> HttpResponse:
    session = _session(request, pk)
    form = StartForm(request.POST)
    if form.is_valid() and tried(
        form,
        lambda: session_start(
            session, cautions_read=form.cleaned_data["cautions_read"], by=_person(request), now=now_of(request)
        ),
    ):
        return redirect("scheduling:bench_session", pk=pk)
    page = bench_page(session)
    context = {
        "session": session,
        "page": page,
        "form": form,
        "today": today_of(request),
        "sources": sources_before(session, page),
    }
    return render(request, "scheduling/bench_prepare.html", context, status=422)


def _bench(
    request: HttpRequest,
    session: BenchSession,
    *,
    place: int | None = None,
    forms_: dict[str, forms.Form] | None = None,
) -> HttpResponse:
    chosen = request.GET.get("place", "")
    page = bench_page(session, place=place or (int(chosen) if chosen.isdigit() else None))
    return render(
        request,
        "scheduling/bench.html",
        {
            "session": session,
            "page": page,
            "now": now_of(request),
            "other_outcomes": [
                (o.value, o.label) for o in TallyOutcome if o not in {TallyOutcome.USABLE, TallyOutcome.NONE}
            ],
            "drawing": _drawing(page),
            "bench_states": BenchState.choices,
            "looks": entries_to_look_at(session).count(),
            **_bench_forms(session, page),
            **(forms_ or {}),
        },
        status=422 if forms_ else 200,
    )


def _bench_forms(session: BenchSession, page: BenchPage) -> dict[str, Any]:
    lot = page.lot
    source = page.current.place.source_id if page.current else None
    dose = page.current.place.dose_tenths if page.current else 80
    lots = [view.lot.pk for view in page.open_lots]
    return {
        "lot_form": LotForm(session=session, initial={"source": source}),
        "reading_form": ReadingForm(initial={"volume": lot.left if lot else None}),
        "dose_form": DoseForm(lots=lots, initial={"lot": lot.lot.pk if lot else None, "volume": dose}),
    }


def _drawing(page: BenchPage) -> str:
    loaded = max(0, page.lot.left) if page.lot else 0
    dose_tenths = page.current.place.dose_tenths if page.current else 80
    return str(draw_capillary(loaded_tenths=loaded, dose_tenths=dose_tenths, uid="tip").svg)


def _act(request: HttpRequest, pk: int, service: Callable[[BenchSession], Any]) -> HttpResponse:
    """A tap: does it, says why not if not, and shows the bench again."""
    session = _session(request, pk)
    tried_with_message(request, lambda: service(session))
    place = request.POST.get("place", "")
    query = f"?place={place}" if place.isdigit() else ""
    return redirect(f"/bench/{pk}/{query}")


@require_POST
def lot_new(request: HttpRequest, pk: int) -> HttpResponse:
    session = _session(request, pk)
    form = LotForm(request.POST, session=session)
    if form.is_valid():
        data = form.cleaned_data
        if tried(
            form,
            lambda: lot_open(
                session,
                source=data["source"],
                tip=data["tip"],
                entry=data["entry"],
                by=_person(request),
                now=now_of(request),
            ),
        ):
            return redirect("scheduling:bench_session", pk=pk)
    return _bench(request, session, forms_={"lot_form": form})


@require_POST
def tally(request: HttpRequest, pk: int, lot_pk: int) -> HttpResponse:
    lot = _lot(request, pk, lot_pk)
    form = TallyForm(request.POST)
    if not form.is_valid():
        messages.error(request, _("Choose what the drone gave."))
        return redirect("scheduling:bench_session", pk=pk)
    data = form.cleaned_data
    return _act(
        request,
        pk,
        lambda session: lot_tally(
            lot,
            outcome=data["outcome"],
            drones=data["drones"] or 1,
            entry=data["entry"],
            by=_person(request),
            now=now_of(request),
        ),
    )


@require_POST
def tally_undo(request: HttpRequest, pk: int, lot_pk: int) -> HttpResponse:
    lot = _lot(request, pk, lot_pk)
    return _act(request, pk, lambda session: lot_tally_undo(lot, by=_person(request), now=now_of(request)))


@require_POST
def reading(request: HttpRequest, pk: int, lot_pk: int) -> HttpResponse:
    session, lot = _session(request, pk), _lot(request, pk, lot_pk)
    form = ReadingForm(request.POST)
    if form.is_valid():
        data = form.cleaned_data
        tried(
            form,
            lambda: lot_read(
                lot, volume_tenths=data["volume"], entry=data["entry"], by=_person(request), now=now_of(request)
            ),
        )
    if form.errors:
        return _bench(request, session, forms_={"reading_form": form})
    return redirect("scheduling:bench_session", pk=pk)


@require_http_methods(["GET", "POST"])
def lot_page(request: HttpRequest, pk: int, lot_pk: int) -> HttpResponse:
    """A lot: its tally, its balance, and taking semen out of it."""
    session, lot = _session(request, pk), _lot(request, pk, lot_pk)
    view = next(view for view in lots_of_session(session) if view.lot.pk == lot.pk)
    form = TakeOutForm(request.POST or None, initial={"kind": "stored", "volume": max(0, view.balance.unexplained)})
    if request.method == "POST" and form.is_valid():
        data = form.cleaned_data
        if tried(
            form,
            lambda: lot_take_out(
                lot,
                kind=data["kind"],
                volume_tenths=data["volume"],
                reason=data["reason"],
                entry=data["entry"],
                by=_person(request),
                now=now_of(request),
            ),
        ):
            return redirect("scheduling:bench_session", pk=pk)
    return render(request, "scheduling/bench_lot.html", {"session": session, "view": view, "form": form})


@require_POST
def gas_on(request: HttpRequest, pk: int, place_pk: int) -> HttpResponse:
    place = _place(request, pk, place_pk)
    queen = place.batch_queen
    if queen is None:
        messages.error(request, _("Say first which queen it is: read her mark."))
        return redirect("scheduling:bench_queen", pk=pk, place_pk=place_pk)
    with_dose = request.POST.get("with_insemination", "1") == "1"
    return _act(
        request,
        pk,
        lambda session: co2_start(
            session, batch_queen=queen, with_insemination=with_dose, by=_person(request), now=now_of(request)
        ),
    )


@require_POST
def gas_off(request: HttpRequest, pk: int, place_pk: int) -> HttpResponse:
    place = _place(request, pk, place_pk)
    queen = place.batch_queen
    if queen is None:
        return redirect("scheduling:bench_session", pk=pk)
    return _act(
        request, pk, lambda session: co2_stop(session, batch_queen=queen, by=_person(request), now=now_of(request))
    )


@require_POST
def dose(request: HttpRequest, pk: int, place_pk: int) -> HttpResponse:
    session, place = _session(request, pk), _place(request, pk, place_pk)
    form = DoseForm(request.POST, lots=[view.lot.pk for view in lots_of_session(session) if view.is_open])
    if form.is_valid():
        data = form.cleaned_data
        given = tried(
            form,
            lambda: dose_give(
                place,
                lot=data["lot"],
                volume_tenths=data["volume"],
                leak_back=data["leak_back"],
                resistance=data["resistance"],
                override_reason=data["override_reason"],
                entry=data["entry"],
                by=_person(request),
                now=now_of(request),
            ),
        )
        if given:
            messages.success(
                request,
                _("%(queen)s: %(dose)s µl.") % {"queen": given.batch_queen, "dose": f"{given.volume_tenths / 10:g}"},
                extra_tags=f"undo:/bench/{pk}/dose/{given.pk}/take-back/",
            )
            return redirect("scheduling:bench_session", pk=pk)
    return _bench(request, session, place=place_pk, forms_={"dose_form": form})


@require_POST
def dose_back(request: HttpRequest, pk: int, dose_pk: int) -> HttpResponse:
    given = get_object_or_404(Dose, pk=dose_pk, session=_session(request, pk))
    return _act(request, pk, lambda session: dose_undo(given, by=_person(request), now=now_of(request)))


@require_http_methods(["GET", "POST"])
def aside(request: HttpRequest, pk: int, place_pk: int) -> HttpResponse:
    session, place = _session(request, pk), _place(request, pk, place_pk)
    form = AsideForm(request.POST or None, initial={"lost": ""})
    if request.method == "POST" and form.is_valid():
        data = form.cleaned_data
        done = tried(
            form,
            lambda: bench_set_aside(
                place, reason=data["reason"], lost=data["lost"] == "lost", by=_person(request), now=now_of(request)
            ),
        )
        if done:
            messages.success(
                request,
                _("%(queen)s is set aside.") % {"queen": done},
                extra_tags=f"undo:/bench/{pk}/queen/{place_pk}/back/",
            )
            return redirect("scheduling:bench_session", pk=pk)
    return render(request, "scheduling/bench_aside.html", {"session": session, "place": place, "form": form})


@require_POST
def aside_back(request: HttpRequest, pk: int, place_pk: int) -> HttpResponse:
    place = _place(request, pk, place_pk)
    return _act(request, pk, lambda session: bench_take_back(place, by=_person(request), now=now_of(request)))


@require_http_methods(["GET", "POST"])
def queen(request: HttpRequest, pk: int, place_pk: int) -> HttpResponse:
    """Which virgin is it? Her mark decides."""
    session, place = _session(request, pk), _place(request, pk, place_pk)
    form = QueenForm(request.POST or None, batch_id=place.booking.batch_id, initial={"queen": place.batch_queen_id})
    if request.method == "POST" and form.is_valid():
        chosen = form.cleaned_data["queen"]
        if tried(form, lambda: place_choose_queen(place, batch_queen=chosen, by=_person(request), now=now_of(request))):
            return redirect(f"/bench/{pk}/?place={place_pk}")
    return render(request, "scheduling/bench_queen.html", {"session": session, "place": place, "form": form})


@require_http_methods(["GET", "POST"])
def close(request: HttpRequest, pk: int) -> HttpResponse:
    """Ask first: matings are written and nothing here is rewritten afterwards."""
    session = _session(request, pk)
    form = CloseForm(request.POST or None)
    if (
        request.method == "POST"
        and form.is_valid()
        and tried(
            form,
            lambda: session_close(
                session,
                reason_for_rest=form.cleaned_data["reason_for_rest"],
                by=_person(request),
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


def _lot(request: HttpRequest, pk: int, lot_pk: int) -> SemenLot:
    session = _session(request, pk)
    return get_object_or_404(
        SemenLot.objects.select_related("session__season__cooperative", "source"),
        pk=lot_pk,
        session__season=session.season_id,
        session__bench=session.bench_id,
    )


def _place(request: HttpRequest, pk: int, place_pk: int) -> BenchPlace:
    session = _session(request, pk)
    return get_object_or_404(
        BenchPlace.objects.select_related("booking__batch", "batch_queen__queen", "source", "session"),
        pk=place_pk,
        session=session,
    )
