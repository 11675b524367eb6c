"""What the views of the stock share: loaders that decide access, and refusals put beside their field."""

from collections.abc import Callable
from typing import Any

from django import forms
from django.http import HttpRequest
from django.shortcuts import get_object_or_404
from django.utils.translation import gettext as _
from django.utils.translation import gettext_noop

from accounts.access import can_act_for, can_see_ranking, require
from accounts.http import viewer_of_request
from accounts.queries.views import views_of_page
from accounts.refusals import Refusal
from accounts.saved_views import address_of_view, query_kept
from breeding.models import Colony, EvaluationRun, Queen, Score
from breeding.queries.ranking import latest_run, runs_of
from breeding.queries.stock import colonies_seen_by, queens_seen_by, scores_seen_by

ONLY_OWN = gettext_noop("Only {owner} and the coordinator may change this.")


def queen_or_404(request: HttpRequest, pk: int, *, to_change: bool = False) -> Queen:
    viewer = viewer_of_request(request)
    queens = queens_seen_by(viewer).select_related("owner", "line", "mother", "cooperative")
    queen: Queen = get_object_or_404(queens, pk=pk)
    if to_change:
        require(can_act_for(viewer, queen.owner), _(ONLY_OWN).format(owner=queen.owner))
    return queen


def colony_or_404(request: HttpRequest, pk: int, *, to_change: bool = False) -> Colony:
    viewer = viewer_of_request(request)
    colonies = colonies_seen_by(viewer).select_related("apiary__member__cooperative")
    colony: Colony = get_object_or_404(colonies, pk=pk)
    if to_change:
        member = colony.apiary.member
        require(can_act_for(viewer, member), _(ONLY_OWN).format(owner=member))
    return colony


def score_or_404(request: HttpRequest, pk: int) -> Score:
    """A score to change: those of the viewer's own colonies."""
    viewer = viewer_of_request(request)
    scores = scores_seen_by(viewer).select_related("colony__apiary__member", "trait__cooperative", "queen")
    score: Score = get_object_or_404(scores, pk=pk)
    member = score.colony.apiary.member
    require(can_act_for(viewer, member), _(ONLY_OWN).format(owner=member))
    return score


def run_of_request(request: HttpRequest) -> EvaluationRun | None:
    """The run named in the address, else the latest."""
    viewer = viewer_of_request(request)
    require(can_see_ranking(viewer), "")
    number = request.GET.get("run", "")
    if number.isdecimal() and len(number) < 9:
        run: EvaluationRun = get_object_or_404(runs_of(viewer.cooperative), number=int(number))
        return run
    return latest_run(viewer.cooperative)


def saved_views(request: HttpRequest, page: str) -> dict[str, Any]:
    """What `parts/saved_views.html` needs on this page."""
    now = query_kept(request.GET.urlencode())
    saved = [
        {"view": view, "address": address_of_view(page, view.query), "current": view.query == now}
        for view in views_of_page(viewer_of_request(request), page)
    ]
    return {"saved": saved, "page_key": page, "query": now}


def tried_on(service: Callable[[], Any], *shown: forms.Form) -> Any | None:
    """Call a service; its refusal stands beside the field it names, in whichever form that is."""
    try:
        return service()
    except Refusal as refusal:
        field = "source_1" if refusal.field == "shares" else refusal.field
        form = next((form for form in shown if field in form.fields), None)
        if form is None:
            shown[0].add_error(None, refusal.text)
        else:
            form.add_error(field, refusal.text)
        return None
