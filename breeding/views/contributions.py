"""How many daughters of which mothers, and whose drones, so that merit rises and coancestry does not run away?"""

from typing import Any
from urllib.parse import urlencode

from django.contrib import messages
from django.http import HttpRequest, HttpResponse, QueryDict
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils.translation import gettext as _
from django.utils.translation import gettext_noop, ngettext
from django.views.decorators.http import require_POST, require_safe

from accounts.access import Viewer, can_plan_crosses, require
from accounts.http import now_of, today_of, tried, tried_with_message, viewer_of_request
from accounts.tables import Cell, Table, table_response
from breeding.forms.contributions import ContributionForm
from breeding.forms.crosses import SaveForm
from breeding.models import EvaluationRun, Queen
from breeding.queries.contributions import Plan, contribution_plan, mother_candidates, source_candidates
from breeding.queries.ranking import latest_run
from breeding.services.crosses import WantedCross, crosses_save
from breeding.templatetags.stock import plain_number
from breeding.views.crosses import ONLY_BREEDERS
from viz.curve import Axis, Line, Mark, Words, draw_curve

ONLY_PLANNERS = gettext_noop("Breeders and the coordinator plan contributions.")


def _worked_out(
    viewer: Viewer, asked: QueryDict
) -> tuple[ContributionForm, EvaluationRun | None, Plan | None, tuple[int, int]]:
    """The form, the run, the plan where there is one, and how many candidates each path has."""
    run = latest_run(viewer.cooperative)
    form = ContributionForm(asked, viewer=viewer)
    if run is None or not form.is_valid():
        return form, run, None, (0, 0)
    mothers = mother_candidates(run, form.cleaned_data["mothers"])
    sources = source_candidates(run, form.cleaned_data["sources"])
    number = (len(mothers), len(sources))
    if not mothers or not sources:
        return form, run, None, number
    wish = form.wish()
    plan = tried(form, lambda: contribution_plan(run, mothers, sources, wish))
    return form, run, plan, number


@require_safe
def contributions(request: HttpRequest) -> HttpResponse:
    viewer = viewer_of_request(request)
    require(can_plan_crosses(viewer), _(ONLY_PLANNERS))
    form, run, plan, number = _worked_out(viewer, request.GET)
    context: dict[str, Any] = {"form": form, "run": run, "plan": plan, "candidates": number}
    if plan is not None:
        context |= {
            "drawing": _drawn(plan),
            "years": range(today_of(request).year, today_of(request).year + 3),
            "asked": [(key, value) for key, value in request.GET.items() if key in form.fields and value],
            "missing": _missing(form, run),
        }
    return render(request, "breeding/contributions.html", context)


@require_safe
def contributions_csv(request: HttpRequest) -> HttpResponse:
    """The same plan as a table file: mothers, sources, then who meets whom."""
    viewer = viewer_of_request(request)
    require(can_plan_crosses(viewer), _(ONLY_PLANNERS))
    _form, _run, plan, _number = _worked_out(viewer, request.GET)
    if plan is None:
        return redirect(f"{reverse('breeding:contributions')}?{request.GET.urlencode()}")
    head = ["part", "mother", "source", "merit_sd", "share", "queens", "inbreeding", "viability"]
    return table_response(request, Table("contributions", head, _lines(plan)))


def _lines(plan: Plan) -> list[list[Cell]]:
    found: list[list[Cell]] = []
    for part, uses in (("mother", plan.mothers), ("source", plan.sources)):
        for use in uses:
            label = use.candidate.queen.label
            names = [label, None] if part == "mother" else [None, label]
            merit, share = round(use.candidate.merit, 4), round(use.share, 4)
            found.append([part, *names, merit, share, use.number, None, None])
    for pair in plan.allocated.pairs if plan.allocated else []:
        one = pair.prediction
        merit_of_cross = None if one.merit is None else round(one.merit, 4)
        looks = [round(one.worker_inbreeding, 4), round(one.viability, 4)]
        found.append(["cross", pair.mother.label, pair.source.label, merit_of_cross, None, pair.number, *looks])
    return found


@require_POST
def contributions_save(request: HttpRequest) -> HttpResponse:
    """Write every cross of the plan down: worked out again from the same question, so nothing is trusted."""
    viewer = viewer_of_request(request)
    require(can_plan_crosses(viewer), _(ONLY_BREEDERS))
    form, _run, plan, _number = _worked_out(viewer, request.POST)
    season = SaveForm(request.POST)
    asked = {key: request.POST.get(key, "") for key in form.fields}
    address = f"{reverse('breeding:contributions')}?{urlencode({k: v for k, v in asked.items() if v})}"
    if plan is None or plan.allocated is None or not season.is_valid():
        messages.error(request, _("There is no plan to save. Look at it again, and choose a season."))
        return redirect(address)
    wanted = _wanted(plan)
    saved = tried_with_message(
        request,
        lambda: crosses_save(
            viewer.cooperative,
            wanted,
            season_year=season.cleaned_data["season_year"],
            note=season.cleaned_data["note"] or _("From the plan of contributions"),
            by=viewer.person,
            now=now_of(request),
        ),
    )
    if not saved:
        return redirect(address)
    text = ngettext("%(number)s cross is written down.", "%(number)s crosses are written down.", len(saved))
    messages.success(request, text % {"number": len(saved)})
    return redirect("breeding:planned_crosses")


def _wanted(plan: Plan) -> list[WantedCross]:
    """One planned cross for each pair: every daughter is inseminated from one source."""
    assert plan.allocated is not None
    return [WantedCross(pair.mother, {pair.source: 1.0}) for pair in plan.allocated.pairs]


def _missing(form: ContributionForm, run: EvaluationRun | None) -> list[Queen]:
    """Named queens that take no part: the evaluation does not know them, or knows no daughters of theirs."""
    if run is None:
        return []
    left: list[Queen] = []
    for named, candidates in (
        (form.cleaned_data["mothers"], mother_candidates),
        (form.cleaned_data["sources"], source_candidates),
    ):
        known = {candidate.queen.pk for candidate in candidates(run, named)} if named else set()
        left += [queen for queen in named if queen.pk not in known]
    return left


def _drawn(plan: Plan) -> Any:
    marks = [Mark(*plan.equal, _("all alike"))]
    if plan.status == "optimal":
        marks.append(Mark(plan.coancestry, plan.gain, _("this plan")))
    curve = sorted(plan.curve)
    return draw_curve(
        [Line(_("best"), tuple(curve))],
        Axis(_("Mean coancestry of the next generation, %"), 100, 1),
        Axis(_("Merit of the next generation, genetic SD"), 1, 2),
        uid="curve",
        words=Words(
            _("What merit costs in coancestry"),
            _("From %(low)s SD at %(least)s %% coancestry to %(high)s SD at %(most)s %%.")
            % {
                "low": plain_number(curve[0][1], 2),
                "least": plain_number(100 * curve[0][0]),
                "high": plain_number(curve[-1][1], 2),
                "most": plain_number(100 * curve[-1][0]),
            },
            (_("Coancestry, %"), _("Merit, SD")),
            plain_number,
        ),
        marks=marks,
    )
