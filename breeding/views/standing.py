"""Which queens are worth breeding from, and how sure are we?"""

import csv
from typing import Any

from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.utils.translation import gettext as _
from django.views.decorators.http import require_safe

from accounts.access import can_run_evaluation, can_see_ranking, require
from accounts.http import viewer_of_request
from breeding.models import EvaluationRun
from breeding.queries.ranking import (
    StandingFilter,
    StandingRow,
    latest_run,
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
from viz.interval import Words, draw_interval, scale_of

ROWS_PER_PAGE = 50
RISKY_STARTS = ("=", "+", "-", "@", "\t", "\r")


def _filter(request: HttpRequest) -> StandingFilter:
    line = request.GET.get("line", "")
    return StandingFilter(
        living=request.GET.get("living", "1") == "1",
        tested=request.GET.get("tested") == "1",
        line_id=int(line) if line.isdecimal() and len(line) < 18 else None,
        trait_key=request.GET.get("trait", "")[:30],
        text=request.GET.get("q", "").strip()[:60],
    )


def _run(request: HttpRequest) -> EvaluationRun | None:
    """The run named in the address, else the latest."""
    viewer = viewer_of_request(request)
    require(can_see_ranking(viewer), "")
    number = request.GET.get("run", "")
    if number.isdecimal() and len(number) < 9:
        run: EvaluationRun = get_object_or_404(runs_of(viewer.cooperative), number=int(number))
        return run
    return latest_run(viewer.cooperative)


@require_safe
def standing(request: HttpRequest) -> HttpResponse:
    viewer = viewer_of_request(request)
    run = _run(request)
    context: dict[str, Any] = {
        "run": run,
        "job": open_evaluation_job(viewer.cooperative),
        "may_run": can_run_evaluation(viewer),
    }
    if run is not None:
        wanted = _filter(request)
        traits = list(traits_of_run(run))
        page = Paginator(standing_of(run, wanted), ROWS_PER_PAGE).get_page(request.GET.get("page"))
        better, ranked = surely_better(run)
        context |= {
            "wanted": wanted,
            "traits": traits,
            "page": page,
            "rows": _drawn(with_values(run, page.object_list, traits)),
            "better": better,
            "ranked": ranked,
            "lines": lines_of(viewer.cooperative),
            "fresh_scores": scores_since(run),
            "runs": runs_of(viewer.cooperative)[:12],
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
                words=Words(title=_("Merit of %(queen)s") % {"queen": row.merit.queen}),
            ).svg,
        }
        for row in rows
    ]


@require_safe
def standing_csv(request: HttpRequest) -> HttpResponse:
    """The same list as a table file; cells of text are made safe for spreadsheet programs."""
    run = _run(request)
    response = HttpResponse(content_type="text/csv; charset=utf-8")
    response["Content-Disposition"] = f'attachment; filename="standing-{run.number if run else 0}.csv"'
    response.write("\ufeff")
    writer = csv.writer(response)
    traits = list(traits_of_run(run)) if run else []
    head = ["queen", "line", "owner", "year", "merit_sd", "merit_error_sd", "reliability", "sureness"]
    head += ["as_mother_sd", "place_best", "place_worst", "of"]
    for trait in traits:
        head += [f"{trait.key}_{trait.unit.replace(' ', '_')}", f"{trait.key}_error", f"{trait.key}_reliability"]
    writer.writerow([safe_cell(cell) for cell in head])
    if run is None:
        return response
    for row in with_values(run, standing_of(run, _filter(request)), traits):
        merit, queen = row.merit, row.merit.queen
        cells: list[object] = [
            safe_cell(queen.label),
            safe_cell(queen.line.name if queen.line else ""),
            safe_cell(queen.owner.name),
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
                else ["", "", ""]
            )
        writer.writerow(cells)
    return response


def safe_cell(text: str) -> str:
    """A text that a spreadsheet would take for a formula gets an apostrophe in front."""
    return f"'{text}" if text.startswith(RISKY_STARTS) else text


def _rounded(number: float | None) -> float | None:
    return None if number is None else round(number, 4)
