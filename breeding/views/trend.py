"""Genetic trend: where breeding has led, and how far earlier predictions held."""

from dataclasses import dataclass
from typing import Any

from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils.translation import gettext as _
from django.views.decorators.http import require_safe

from accounts.access import Viewer, can_see_ranking, require
from accounts.http import viewer_of_request
from accounts.tables import Table, table_response
from breeding.models import EvaluationRun, Trait
from breeding.queries.ranking import latest_run
from breeding.templatetags.stock import plain_number
from breeding.views.population import population_part
from viz.curve import Axis, Line, Words, draw_curve

MERIT = "merit"
ENOUGH_FAMILIES = 30  # from which their errors are taken at their word; our choice


@dataclass(frozen=True)
class Held:
    """How the predictions of one trait held against results of a year they did not know."""

    trait: Trait
    colonies: int
    slope: float
    slope_error: float
    correlation: float
    correlation_error: float
    families: int

    @property
    def verdict(self) -> str:
        # Families that are related are less than so many: in simulated stock with 12 of them the slopes scattered
        # 1.3 to 2.1 times as far as their errors say.
        errors = 2 if self.families >= ENOUGH_FAMILIES else 4
        if abs(self.slope - 1) <= errors * self.slope_error:
            return _("Differences came out about as large as predicted, as far as these results can tell.")
        if self.slope < 1:
            return _("Differences came out smaller than predicted: the values spread too widely.")
        return _("Differences came out larger than predicted: the values are too careful.")


@require_safe
def trend(request: HttpRequest) -> HttpResponse:
    viewer = viewer_of_request(request)
    require(can_see_ranking(viewer), "")
    run = latest_run(viewer.cooperative)
    traits = {trait.key: trait for trait in Trait.objects.filter(cooperative=viewer.cooperative)}
    trends = _trends(run)
    wanted = request.GET.get("of", MERIT)
    key = wanted if wanted in trends else next(iter([k for k in (MERIT, *trends) if k in trends]), "")
    chosen = trends.get(key)
    unit = _("genetic SD") if key == MERIT else traits[key].shown_unit if key in traits else ""
    return render(
        request,
        "breeding/trend.html",
        {
            "run": run,
            "key": key,
            "choices": [(k, _("Merit") if k == MERIT else str(traits[k])) for k in trends if k == MERIT or k in traits],
            "chosen": chosen,
            "unit": unit,
            "rows": list(zip(*(chosen[name] for name in ("years", "queens", "value", "error")), strict=True))
            if chosen
            else [],
            "drawing": _drawn(chosen, unit) if chosen and len(chosen["years"]) > 1 else None,
            "held": _held(run, traits),
            "held_year": run.findings.get("held_year") if run else None,
            **population_part(viewer.cooperative),
        },
    )


@require_safe
def trend_csv(request: HttpRequest) -> HttpResponse:
    """Mean value of the queens of each birth year, every trait and the merit."""
    viewer: Viewer = viewer_of_request(request)
    require(can_see_ranking(viewer), "")
    run = latest_run(viewer.cooperative)
    if run is None:
        return redirect("breeding:trend")
    rows = [
        (key, year, queens, float(f"{value:.6g}"), float(f"{error:.6g}"))
        for key, found in _trends(run).items()
        for year, queens, value, error in zip(
            found["years"], found["queens"], found["value"], found["error"], strict=True
        )
    ]
    head = ["trait", "birth_year", "queens", "mean_value", "standard_error"]
    return table_response(request, Table(f"trend-{run.number}", head, rows))


def _trends(run: EvaluationRun | None) -> dict[str, dict[str, Any]]:
    return dict(run.findings.get("trend", {})) if run else {}


def _held(run: EvaluationRun | None, traits: dict[str, Trait]) -> list[Held]:
    if run is None:
        return []
    names = ("colonies", "slope", "slope_error", "correlation", "correlation_error", "families")
    return [
        Held(traits[key], *(found[name] for name in names))
        for key, found in run.findings.get("held", {}).items()
        if key in traits
    ]


def _drawn(found: dict[str, Any], unit: str) -> Any:
    years = [float(year) for year in found["years"]]
    points = list(zip(years, found["value"], found["error"], strict=True))
    return draw_curve(
        [
            Line(_("mean"), tuple((x, v) for x, v, _e in points)),
            Line(_("+2 errors"), tuple((x, v + 2 * e) for x, v, e in points)),
            Line(_("−2 errors"), tuple((x, v - 2 * e) for x, v, e in points)),
        ],
        Axis(_("Year of birth"), 1, 0),
        Axis(unit, 1, 1 if max(abs(v) + 2 * e for _x, v, e in points) >= 2 else 2),
        uid="trend",
        words=Words(
            _("Mean value by year of birth"),
            _("From %(first)s to %(last)s.") % {"first": found["years"][0], "last": found["years"][-1]},
            (_("Year"), _("Mean"), _("Upper end"), _("Lower end")),
            plain_number,
        ),
    )
