"""What the views of the bench share: who may work at which session, the page itself, a tap."""

from collections.abc import Callable
from typing import Any

from django import forms
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from accounts.access import can_work_bench, require
from accounts.http import now_of, tried_with_message, viewer_of_request
from accounts.models import Person
from scheduling.forms.bench import DoseForm, LotForm, PoolForm, ReadingForm, TipForm
from scheduling.models import BenchPlace, BenchSession, BenchState, SemenLot, TallyOutcome
from scheduling.queries.bench import BenchPage, bench_page, bench_sessions
from scheduling.queries.bench_log import entries_to_look_at
from viz.capillary import Words, draw_capillary

OPERATORS_ONLY = gettext_lazy("The bench is worked by bench operators and the coordinator.")


def session_at_bench(request: HttpRequest, pk: int) -> BenchSession:
    """The session, for who works at the bench; strangers do not learn that it exists."""
    viewer = viewer_of_request(request)
    session = get_object_or_404(bench_sessions(viewer), pk=pk)
    require(can_work_bench(viewer), OPERATORS_ONLY)
    return session


def person_of(request: HttpRequest) -> Person:
    return viewer_of_request(request).person


def bench_shown(
    request: HttpRequest,
    session: BenchSession,
    *,
    place: int | None = None,
    forms_: dict[str, forms.Form] | None = None,
) -> HttpResponse:
    chosen = request.GET.get("place", "")
    page = bench_page(session, place=place or (int(chosen) if chosen.isdigit() else None), now=now_of(request))
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
        "pool_form": PoolForm(session=session, auto_id="pool_%s"),
        "tip_form": TipForm(lots=page.open_lots, initial={"lot": lot.lot.pk if lot else None}, auto_id="tip_%s"),
        "reading_form": ReadingForm(initial={"volume": lot.left if lot else None}),
        "dose_form": DoseForm(lots=lots, initial={"lot": lot.lot.pk if lot else None, "volume": dose}),
    }


def _drawing(page: BenchPage) -> str:
    loaded = max(0, page.lot.left) if page.lot else 0
    dose_tenths = page.current.place.dose_tenths if page.current else 80
    words = Words(_("Tip"), _("loaded"), _("dose"), (_("What"), "µl"))
    return str(draw_capillary(loaded_tenths=loaded, dose_tenths=dose_tenths, uid="tip", words=words).svg)


def tap(request: HttpRequest, pk: int, service: Callable[[BenchSession], Any]) -> HttpResponse:
    """A tap: does it, says why not if not, and shows the bench again."""
    session = session_at_bench(request, pk)
    tried_with_message(request, lambda: service(session))
    place = request.POST.get("place", "")
    query = f"?place={place}" if place.isdigit() else ""
    return redirect(f"/bench/{pk}/{query}")


def lot_of(request: HttpRequest, pk: int, lot_pk: int) -> SemenLot:
    session = session_at_bench(request, pk)
    return get_object_or_404(
        SemenLot.objects.select_related("session__season__cooperative", "source"),
        pk=lot_pk,
        session__season=session.season_id,
        session__bench=session.bench_id,
    )


def place_of(request: HttpRequest, pk: int, place_pk: int) -> BenchPlace:
    session = session_at_bench(request, pk)
    return get_object_or_404(
        BenchPlace.objects.select_related(
            "booking__batch", "batch_queen__queen", "source", "pool", "session__season__cooperative"
        ),
        pk=place_pk,
        session=session,
    )
