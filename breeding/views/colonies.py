"""The colony card and what can be done with a colony."""

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils.translation import gettext as _
from django.views.decorators.http import require_http_methods, require_safe

from accounts.access import can_act_for
from accounts.http import now_of, today_of, viewer_of_request
from breeding.forms.colonies import ColonyForm, EndForm, RequeenForm
from breeding.queries.history import history_of_colony
from breeding.queries.records import season_results
from breeding.queries.stock import heading_now, headings_of_colony, labels_to_offer, open_apiaries_for
from breeding.services.colonies import colony_add, colony_end, colony_requeen
from breeding.views.shared import colony_or_404, tried_on


@require_safe
def colony(request: HttpRequest, pk: int) -> HttpResponse:
    viewer = viewer_of_request(request)
    shown = colony_or_404(request, pk)
    scores = shown.scores.select_related("trait", "queen", "replaced_by", "scored_by")
    return render(
        request,
        "breeding/colony.html",
        {
            "colony": shown,
            "heading": heading_now(shown),
            "headings": headings_of_colony(shown),
            "results": season_results(shown.scores.all()),
            "scores": scores.order_by("-scored_on", "trait__position", "-pk"),
            "may_change": can_act_for(viewer, shown.apiary.member),
            "history": history_of_colony(shown),
        },
    )


@require_http_methods(["GET", "HEAD", "POST"])
def colony_new(request: HttpRequest) -> HttpResponse:
    viewer = viewer_of_request(request)
    apiary = request.GET.get("apiary", "")
    form = ColonyForm(
        request.POST or None,
        viewer=viewer,
        initial={"apiary": int(apiary)} if apiary.isdecimal() and len(apiary) < 18 else {},
    )
    if request.method == "POST" and form.is_valid():
        added = tried_on(lambda: colony_add(by=viewer.person, now=now_of(request), **form.cleaned_data), form)
        if added is not None:
            messages.success(request, _("%(colony)s added.") % {"colony": added})
            return redirect("breeding:colony", pk=added.pk)
    return render(
        request,
        "breeding/colony_new.html",
        {"form": form, "labels": labels_to_offer(viewer), "has_apiary": open_apiaries_for(viewer).exists()},
    )


@require_http_methods(["GET", "HEAD", "POST"])
def requeen(request: HttpRequest, pk: int) -> HttpResponse:
    viewer = viewer_of_request(request)
    shown = colony_or_404(request, pk, to_change=True)
    heading = heading_now(shown)
    form = RequeenForm(
        request.POST or None, viewer=viewer, has_queen=heading is not None, initial={"since": today_of(request)}
    )
    if request.method == "POST" and form.is_valid():
        done = tried_on(
            lambda: colony_requeen(
                shown,
                queen=form.cleaned_data["queen"],
                since=form.cleaned_data["since"],
                earlier_gone=form.earlier_gone(),
                by=viewer.person,
                now=now_of(request),
            ),
            form,
        )
        if done is not None:
            messages.success(request, _("%(queen)s heads %(colony)s.") % {"queen": done.queen, "colony": shown})
            return redirect("breeding:colony", pk=pk)
    return render(
        request,
        "breeding/requeen.html",
        {"form": form, "colony": shown, "heading": heading, "labels": labels_to_offer(viewer)},
    )


@require_http_methods(["GET", "HEAD", "POST"])
def end(request: HttpRequest, pk: int) -> HttpResponse:
    viewer = viewer_of_request(request)
    shown = colony_or_404(request, pk, to_change=True)
    form = EndForm(request.POST or None, initial={"ended_on": today_of(request)})
    if request.method == "POST" and form.is_valid():
        done = tried_on(lambda: colony_end(shown, by=viewer.person, now=now_of(request), **form.cleaned_data), form)
        if done is not None:
            messages.success(request, _("%(colony)s is ended; its scores stay.") % {"colony": done})
            return redirect("breeding:colony", pk=pk)
    return render(request, "breeding/colony_end.html", {"form": form, "colony": shown})
