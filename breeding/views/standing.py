"""Which queens are worth breeding from, and how sure are we?"""

from typing import Any

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils.translation import gettext as _
from django.views.decorators.http import require_safe

from accounts.access import can_run_evaluation
from accounts.http import viewer_of_request
from accounts.paging import LongPaginator
from accounts.tables import Cell, Table, table_response
from breeding.forms.standing import ApiaryFilterForm
from breeding.queries.ranking import (
    StandingFilter,
    StandingRow,
    merges_since,
    open_evaluation_job,
    runs_of,
    scores_since,
    standing_of,
    surely_better,
    sureness_of,
    traits_of_run,
    with_values,
)
from breeding.queries.stock import lines_of
from breeding.templatetags.stock import plain_number
from breeding.views.shared import run_of_request, saved_views
from viz.interval import Words, draw_interval, scale_of

ROWS_PER_PAGE = 25  # each row holds a drawing: more are more than a phone lays out in a blink


def _filter(request: HttpRequest, apiaries: ApiaryFilterForm) -> StandingFilter:
    return StandingFilter(
        living=request.GET.get("living", "1") == "1",
        tested=request.GET.get("tested") == "1",
        line_id=_number(request, "line"),
        apiary_id=apiaries.apiary.pk if apiaries.apiary is not None else None,
        trait_key=request.GET.get("trait", "")[:30],
        text=request.GET.get("q", "").strip()[:60],
    )


def _apiaries(request: HttpRequest) -> ApiaryFilterForm:
    return ApiaryFilterForm(request.GET.get("apiary", "").strip()[:200], viewer=viewer_of_request(request))


def _number(request: HttpRequest, name: str) -> int | None:
    given = request.GET.get(name, "")
    return int(given) if given.isdecimal() and len(given) < 18 else None


@require_safe
def standing(request: HttpRequest) -> HttpResponse:
    viewer = viewer_of_request(request)
    run = run_of_request(request)
    context: dict[str, Any] = {
        "run": run,
        "job": open_evaluation_job(viewer.cooperative),
        "may_run": can_run_evaluation(viewer),
    }
    if run is not None:
        apiaries = _apiaries(request)
        wanted = _filter(request, apiaries)
        traits = list(traits_of_run(run))
        page = LongPaginator(standing_of(run, wanted), ROWS_PER_PAGE).get_page(request.GET.get("page"))
        better, ranked = surely_better(run)
        context |= {
            "wanted": wanted,
            "traits": traits,
            "page": page,
            "rows": _drawn(with_values(run, page.object_list, traits)),
            "better": better,
            "ranked": ranked,
            "lines": lines_of(viewer.cooperative),
            "apiary_form": apiaries,
            "fresh_scores": scores_since(run),
            "fresh_merges": merges_since(run),
            "runs": runs_of(viewer.cooperative)[:12],
            **saved_views(request, "standing"),
        }
    return render(request, "breeding/standing.html", context)


def _drawn(rows: list[StandingRow]) -> list[dict[str, Any]]:
    """The rows with merit ± error drawn on one common scale."""
    scale = scale_of([(row.merit.merit, row.merit.merit_error) for row in rows])
    return [
        {
            "merit": row.merit,
            "values": row.values,
            "drawing": draw_interval(
                row.merit.merit,
                row.merit.merit_error,
                scale,
                uid=f"merit-{row.merit.queen_id}",
                words=Words(_("Merit of %(queen)s") % {"queen": row.merit.queen}, number=plain_number),
            ).svg,
        }
        for row in rows
    ]


@require_safe
def standing_csv(request: HttpRequest) -> HttpResponse:
    """The same list as a table file."""
    run = run_of_request(request)
    traits = list(traits_of_run(run)) if run else []
    head = ["queen", "line", "owner", "year", "merit_sd", "merit_error_sd", "reliability", "sureness"]
    head += ["as_mother_sd", "place_best", "place_worst", "of"]
    for trait in traits:
        head += [f"{trait.key}_{trait.unit.replace(' ', '_')}", f"{trait.key}_error", f"{trait.key}_reliability"]
    rows = with_values(run, standing_of(run, _filter(request, _apiaries(request))), traits) if run else []
    return table_response(request, Table(f"standing-{run.number if run else 0}", head, (_cells(row) for row in rows)))


def _cells(row: StandingRow) -> list[Cell]:
    merit, queen = row.merit, row.merit.queen
    cells: list[Cell] = [
        queen.label,
        queen.line.name if queen.line else None,
        queen.owner.name,
        queen.birth_year,
        _rounded(merit.merit),
        _rounded(merit.merit_error),
        _rounded(merit.reliability),
        sureness_of(merit.reliability),
        _rounded(merit.as_mother),
        merit.place_best,
        merit.place_worst,
        merit.ranked,
    ]
    for value in row.values:
        cells += (
            [_rounded(value.total), _rounded(value.total_error), _rounded(value.total_reliability)]
            if value is not None
            else [None, None, None]
        )
    return cells


def _rounded(number: float | None) -> float | None:
    return None if number is None else round(number, 4)
