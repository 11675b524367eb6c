"""Single queens of a batch: the card, where she stands, set aside or lost; and virgins that emerge on several days."""

from django import forms
from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils.translation import gettext as _
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from accounts.access import can_act_for, require
from accounts.http import now_of, today_of, tried, tried_with_message, viewer_of_request
from scheduling.forms.batches import EmergenceForm, NucForm, QueenLeavesForm
from scheduling.models import BatchQueen
from scheduling.queries.batches import zone_of_batch
from scheduling.services.batch_emergences import batch_emergence
from scheduling.services.batch_queens import (
    batch_queen_back,
    batch_queen_lost,
    batch_queen_nuc,
    batch_queen_set_aside,
)
from scheduling.views.batches import form_page, own_batch, say_saved, view_of, whose
from scheduling.views.cards import can_be_looked_at, queen_findings, queen_headline, queen_step_rows


@require_GET
def queen_card(request: HttpRequest, pk: int) -> HttpResponse:
    """Every step of one queen: her own emergence, place, gas, eggs and brood."""
    cooperative = viewer_of_request(request).cooperative
    batch_queen = get_object_or_404(BatchQueen.objects.filter(batch__season__cooperative=cooperative), pk=pk)
    of = view_of(request, batch_queen.batch_id)
    view = next(view for view in of.queen_views if view.queen.pk == pk)
    may = can_act_for(viewer_of_request(request), of.batch.member)
    return render(
        request,
        "scheduling/batch_queen.html",
        {
            "view": view,
            "queen": view.queen,
            "batch": of.batch,
            "headline": queen_headline(view),
            "findings": queen_findings(view),
            "steps": queen_step_rows(view, may=may),
            "looks": may and can_be_looked_at(view),
            "may": may,
            "today": of.today,
        },
    )


@require_http_methods(["GET", "POST"])
def emergence(request: HttpRequest, pk: int) -> HttpResponse:
    """Virgins of one more day, or another number of a day that is on record."""
    batch, viewer = own_batch(request, pk), viewer_of_request(request)
    initial = {"emerged_on": request.GET.get("day") or today_of(request), "version": batch.version}
    form = EmergenceForm(request.POST or None, initial=initial)
    if (
        request.method == "POST"
        and form.is_valid()
        and tried(form, lambda: batch_emergence(batch, **form.cleaned_data, by=viewer.person, now=now_of(request)))
    ):
        say_saved(request, pk, _("emergence"))
        return redirect("scheduling:batch", pk)
    return form_page(request, batch, form, _("Virgins of %(batch)s that emerged on another day") % {"batch": batch})


@require_http_methods(["GET", "POST"])
def queen_leaves(request: HttpRequest, pk: int) -> HttpResponse:
    """A single queen set aside or lost."""
    batch_queen = own_queen(request, pk)
    form = QueenLeavesForm(request.POST or None, initial={"what": "set_aside"})
    if request.method == "POST" and form.is_valid() and tried(form, lambda: _leave(request, batch_queen, form)):
        undo = reverse("scheduling:batch_queen_back", args=[pk])
        messages.success(request, _("Written down for %(queen)s.") % {"queen": batch_queen}, extra_tags=f"undo:{undo}")
        return redirect("scheduling:batch", batch_queen.batch_id)
    title = _("What happened to %(queen)s?") % {"queen": batch_queen}
    return form_page(request, batch_queen.batch, form, title)


def _leave(request: HttpRequest, batch_queen: BatchQueen, form: forms.Form) -> BatchQueen:
    data, by, now = form.cleaned_data, viewer_of_request(request).person, now_of(request)
    if data["what"] == "lost":
        lost_on = data["lost_on"] or now.astimezone(zone_of_batch(batch_queen.batch)).date()
        return batch_queen_lost(batch_queen, reason=data["reason"], lost_on=lost_on, by=by, now=now)
    return batch_queen_set_aside(batch_queen, reason=data["reason"], by=by, now=now)


@require_http_methods(["GET", "POST"])
def queen_nuc(request: HttpRequest, pk: int) -> HttpResponse:
    """In which nuc a single queen stands."""
    batch_queen, viewer = own_queen(request, pk), viewer_of_request(request)
    form = NucForm(
        request.POST or None,
        initial={"nuc": batch_queen.nuc, "excluder_confirmed_on": batch_queen.excluder_confirmed_on},
    )
    if (
        request.method == "POST"
        and form.is_valid()
        and tried(
            form, lambda: batch_queen_nuc(batch_queen, **form.cleaned_data, by=viewer.person, now=now_of(request))
        )
    ):
        return redirect("scheduling:batch", batch_queen.batch_id)
    return form_page(request, batch_queen.batch, form, _("Where does %(queen)s stand?") % {"queen": batch_queen})


@require_POST
def queen_back(request: HttpRequest, pk: int) -> HttpResponse:
    batch_queen, viewer = own_queen(request, pk), viewer_of_request(request)
    if tried_with_message(request, lambda: batch_queen_back(batch_queen, by=viewer.person, now=now_of(request))):
        messages.success(request, _("%(queen)s waits again.") % {"queen": batch_queen})
    return redirect("scheduling:batch", batch_queen.batch_id)


def own_queen(request: HttpRequest, pk: int) -> BatchQueen:
    viewer = viewer_of_request(request)
    queens = BatchQueen.objects.filter(batch__season__cooperative=viewer.cooperative)
    batch_queen = get_object_or_404(
        queens.select_related("batch__season__cooperative", "batch__member", "batch__apiary", "queen"), pk=pk
    )
    member = batch_queen.batch.member
    require(can_act_for(viewer, member), whose(batch_queen, member))
    return batch_queen
