"""Lots at the bench: opened, tallied, read, taken out of, and their tips."""

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils.translation import gettext as _
from django.views.decorators.http import require_http_methods, require_POST

from accounts.http import now_of, today_of, tried, tried_with_message
from scheduling.forms.bench import LotForm, PoolForm, ReadingForm, TakeOutForm, TallyForm, TipForm, ViabilityForm
from scheduling.queries.bench import lots_of_session
from scheduling.queries.lots import lot_view
from scheduling.services.lots import (
    lot_open,
    lot_read,
    lot_take_out,
    lot_tally,
    lot_tally_undo,
    lot_viability,
)
from scheduling.services.tips import tip_change
from scheduling.views.bench_common import bench_shown, lot_of, person_of, session_at_bench, tap


@require_POST
def lot_new(request: HttpRequest, pk: int) -> HttpResponse:
    session = session_at_bench(request, pk)
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
                by=person_of(request),
                now=now_of(request),
            ),
        ):
            return redirect("scheduling:bench_session", pk=pk)
    return bench_shown(request, session, forms_={"lot_form": form})


@require_POST
def pool_new(request: HttpRequest, pk: int) -> HttpResponse:
    session = session_at_bench(request, pk)
    form = PoolForm(request.POST, session=session)
    if form.is_valid() and tried(
        form,
        lambda: lot_open(
            session,
            parts=form.parts(),
            tip=form.cleaned_data["tip"],
            entry=form.cleaned_data["entry"],
            by=person_of(request),
            now=now_of(request),
        ),
    ):
        return redirect("scheduling:bench_session", pk=pk)
    return bench_shown(request, session, forms_={"pool_form": form})


@require_POST
def tally(request: HttpRequest, pk: int, lot_pk: int) -> HttpResponse:
    lot = lot_of(request, pk, lot_pk)
    form = TallyForm(request.POST)
    if not form.is_valid():
        messages.error(request, _("Choose what the drone gave."))
        return redirect("scheduling:bench_session", pk=pk)
    data = form.cleaned_data
    return tap(
        request,
        pk,
        lambda session: lot_tally(
            lot,
            outcome=data["outcome"],
            drones=data["drones"] or 1,
            entry=data["entry"],
            by=person_of(request),
            now=now_of(request),
        ),
    )


@require_POST
def tally_undo(request: HttpRequest, pk: int, lot_pk: int) -> HttpResponse:
    lot = lot_of(request, pk, lot_pk)
    return tap(request, pk, lambda session: lot_tally_undo(lot, by=person_of(request), now=now_of(request)))


@require_POST
def reading(request: HttpRequest, pk: int, lot_pk: int) -> HttpResponse:
    session, lot = session_at_bench(request, pk), lot_of(request, pk, lot_pk)
    form = ReadingForm(request.POST)
    if form.is_valid():
        data = form.cleaned_data
        tried(
            form,
            lambda: lot_read(
                lot, volume_tenths=data["volume"], entry=data["entry"], by=person_of(request), now=now_of(request)
            ),
        )
    if form.errors:
        return bench_shown(request, session, forms_={"reading_form": form})
    return redirect("scheduling:bench_session", pk=pk)


@require_http_methods(["GET", "POST"])
def lot_page(request: HttpRequest, pk: int, lot_pk: int) -> HttpResponse:
    """A lot: its tally, its balance, and taking semen out of it."""
    session, lot = session_at_bench(request, pk), lot_of(request, pk, lot_pk)
    view = lot_view(lot)
    kind = "discarded" if view.lot.state == "stored" else "stored"
    form = TakeOutForm(request.POST or None, initial={"kind": kind, "volume": max(0, view.free)})
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
                by=person_of(request),
                now=now_of(request),
            ),
        ):
            return redirect("scheduling:bench_session", pk=pk)
    return render(
        request,
        "scheduling/bench_lot.html",
        {
            "session": session,
            "view": view,
            "form": form,
            "viability": ViabilityForm(initial={"checked_on": today_of(request)}),
        },
        status=422 if form.errors else 200,
    )


@require_POST
def tip(request: HttpRequest, pk: int, lot_pk: int) -> HttpResponse:
    """A new or cleaned tip, for this lot or another one that is chosen."""
    lot = lot_of(request, pk, lot_pk)
    form = TipForm(request.POST, lots=lots_of_session(session_at_bench(request, pk)))
    if not form.is_valid():
        messages.error(request, _("Name the tip, for example T1."))
        return redirect("scheduling:bench_session", pk=pk)
    data = form.cleaned_data
    return tap(
        request,
        pk,
        lambda session: tip_change(
            session,
            lot=data["lot"] or lot,
            tip=data["tip"],
            entry=data["entry"],
            by=person_of(request),
            now=now_of(request),
        ),
    )


@require_POST
def viability(request: HttpRequest, pk: int, lot_pk: int) -> HttpResponse:
    """The result of a viability test of stored semen."""
    lot, form = lot_of(request, pk, lot_pk), ViabilityForm(request.POST)
    if not form.is_valid():
        messages.error(request, _("Enter the day of the test and 0 to 100 per cent."))
    elif tried_with_message(
        request, lambda: lot_viability(lot, **form.cleaned_data, by=person_of(request), now=now_of(request))
    ):
        messages.success(request, _("Kept."))
    return redirect("scheduling:lot", pk=pk, lot_pk=lot_pk)
