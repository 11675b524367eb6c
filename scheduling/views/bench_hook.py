"""The queen on the hook: gas, dose, set aside, and which queen she is."""

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.translation import gettext as _
from django.views.decorators.http import require_http_methods, require_POST

from accounts.http import now_of, tried
from scheduling.forms.bench import AsideForm, DoseForm, GiveOnForm, QueenForm
from scheduling.models import Dose, SessionState
from scheduling.queries.bench import lots_of_session
from scheduling.queries.place_again import is_place_free_again, successors_of
from scheduling.services.bench_queens import (
    bench_set_aside,
    bench_take_back,
    co2_start,
    co2_stop,
    dose_give,
    dose_undo,
    place_choose_queen,
)
from scheduling.services.place_again import place_give_on
from scheduling.views.bench_common import bench_shown, person_of, place_of, session_at_bench, tap


@require_POST
def gas_on(request: HttpRequest, pk: int, place_pk: int) -> HttpResponse:
    place = place_of(request, pk, place_pk)
    queen = place.batch_queen
    if queen is None:
        messages.error(request, _("Say first which queen it is: read her mark."))
        return redirect("scheduling:bench_queen", pk=pk, place_pk=place_pk)
    with_dose = request.POST.get("with_insemination", "1") == "1"
    return tap(
        request,
        pk,
        lambda session: co2_start(
            session, batch_queen=queen, with_insemination=with_dose, by=person_of(request), now=now_of(request)
        ),
    )


@require_POST
def gas_off(request: HttpRequest, pk: int, place_pk: int) -> HttpResponse:
    place = place_of(request, pk, place_pk)
    queen = place.batch_queen
    if queen is None:
        return redirect("scheduling:bench_session", pk=pk)
    return tap(
        request, pk, lambda session: co2_stop(session, batch_queen=queen, by=person_of(request), now=now_of(request))
    )


@require_POST
def dose(request: HttpRequest, pk: int, place_pk: int) -> HttpResponse:
    session, place = session_at_bench(request, pk), place_of(request, pk, place_pk)
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
                second_planned=data["second_planned"],
                more=data["more"],
                override_reason=data["override_reason"],
                entry=data["entry"],
                by=person_of(request),
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
    return bench_shown(request, session, place=place_pk, forms_={"dose_form": form})


@require_POST
def dose_back(request: HttpRequest, pk: int, dose_pk: int) -> HttpResponse:
    given = get_object_or_404(Dose, pk=dose_pk, session=session_at_bench(request, pk))
    return tap(request, pk, lambda session: dose_undo(given, by=person_of(request), now=now_of(request)))


@require_http_methods(["GET", "POST"])
def aside(request: HttpRequest, pk: int, place_pk: int) -> HttpResponse:
    session, place = session_at_bench(request, pk), place_of(request, pk, place_pk)
    form = AsideForm(request.POST or None, initial={"lost": ""})
    if request.method == "POST" and form.is_valid():
        data = form.cleaned_data
        done = tried(
            form,
            lambda: bench_set_aside(
                place, reason=data["reason"], lost=data["lost"] == "lost", by=person_of(request), now=now_of(request)
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
    place = place_of(request, pk, place_pk)
    return tap(request, pk, lambda session: bench_take_back(place, by=person_of(request), now=now_of(request)))


@require_http_methods(["GET", "POST"])
def queen(request: HttpRequest, pk: int, place_pk: int) -> HttpResponse:
    """Which virgin is it? Her mark decides."""
    session, place = session_at_bench(request, pk), place_of(request, pk, place_pk)
    form = QueenForm(request.POST or None, batch_id=place.booking.batch_id, initial={"queen": place.batch_queen_id})
    if request.method == "POST" and form.is_valid():
        chosen = form.cleaned_data["queen"]
        if tried(
            form, lambda: place_choose_queen(place, batch_queen=chosen, by=person_of(request), now=now_of(request))
        ):
            return redirect(f"/bench/{pk}/?place={place_pk}")
    return render(request, "scheduling/bench_queen.html", {"session": session, "place": place, "form": form})


@require_http_methods(["GET", "POST"])
def give_on(request: HttpRequest, pk: int, place_pk: int) -> HttpResponse:
    """Her queen was set aside or lost: who gets the place?"""
    session, place = session_at_bench(request, pk), place_of(request, pk, place_pk)
    if session.state != SessionState.RUNNING or not is_place_free_again(place):
        messages.error(request, _("This place is not free."))
        return redirect("scheduling:bench_session", pk=pk)
    found = successors_of(place)
    form = GiveOnForm(request.POST or None, found=found)
    if request.method == "POST" and form.is_valid():
        given = tried(
            form,
            lambda: place_give_on(
                place,
                batch_queen=form.chosen(),
                reason=form.cleaned_data["reason"],
                by=person_of(request),
                now=now_of(request),
            ),
        )
        if given:
            messages.success(request, _("%(queen)s has the place. Her keeper is told.") % {"queen": given.batch_queen})
            return redirect(f"/bench/{pk}/?place={place_pk}")
    return render(
        request,
        "scheduling/bench_give_on.html",
        {"session": session, "place": place, "form": form, "found": found},
        status=422 if form.errors else 200,
    )
