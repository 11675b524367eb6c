"""The season's plans in a list, and any two of them beside each other."""

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy, ngettext
from django.views.decorators.http import require_safe

from accounts.access import can_plan, require
from accounts.http import now_of, viewer_of_request
from accounts.refusals import Refusal
from scheduling.forms.compare import CompareForm
from scheduling.models import Plan, Season
from scheduling.queries.compare import Comparison, comparable_plans, comparison, usual_pair
from scheduling.queries.plans import plan_in_force
from scheduling.queries.problem import problem_of
from scheduling.views.common import no_season, season_of_request

COORDINATOR_ONLY = gettext_lazy("Comparing plans is the coordinator's work.")


def _season(request: HttpRequest) -> Season | None:
    require(can_plan(viewer_of_request(request)), COORDINATOR_ONLY)
    return season_of_request(request)


@require_safe
def plans(request: HttpRequest) -> HttpResponse:
    season = _season(request)
    if season is None:
        return no_season(request)
    listed = list(comparable_plans(season))
    first, second = usual_pair(season)
    finding = ngettext("%(n)d plan this season", "%(n)d plans this season", len(listed)) % {"n": len(listed)}
    context = {
        "season": season,
        "plans": listed,
        "in_force": plan_in_force(season),
        "finding": finding if listed else _("No plan yet"),
        "form": _form(season, first, second) if len(listed) > 1 else None,
    }
    return render(request, "scheduling/plans.html", context)


@require_safe
def compare(request: HttpRequest) -> HttpResponse:
    """Without a choice in the address: the plan in force beside the newest sketch."""
    season = _season(request)
    if season is None:
        return no_season(request)
    plans_of_season = comparable_plans(season)
    if not request.GET:
        first, second = usual_pair(season)
        form = _form(season, first, second)
    else:
        form = CompareForm(request.GET, plans=plans_of_season)
        first, second = (form.cleaned_data["first"], form.cleaned_data["second"]) if form.is_valid() else (None, None)
    shown: Comparison | None = None
    refusal = None
    if first is not None and second is not None:
        try:
            shown = comparison(season, first, second, problem_of(season, now=now_of(request)))
        except Refusal as told:  # figures that only the coordinator can set
            refusal = told
    context = {
        "form": form,
        "shown": shown,
        "refusal": refusal,
        "finding": shown.finding if shown else _("Which two plans?"),
        "choices": plans_of_season.count(),
    }
    return render(request, "scheduling/compare.html", context, status=422 if form.errors else 200)


def _form(season: Season, first: Plan | None, second: Plan | None) -> CompareForm:
    return CompareForm(initial={"first": first, "second": second}, plans=comparable_plans(season))
